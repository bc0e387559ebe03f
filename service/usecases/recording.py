"""A recording, read line by line by all who read one: what it says, and whether it is whole.

A sealed recording says in its first line that a manifest ends it, and there what it was when it was written.
Others (``GET /events``, a file that still grows, lines by hand) end where they end.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from importlib.metadata import version
from zoneinfo import ZoneInfo

from service.desk import Unfit
from service.domain.events import JournalEntry
from service.domain.model import Instant
from service.wire.journal import (
    MARK_EVERY,
    Exporter,
    Manifest,
    PlainLine,
    StartState,
    exact,
    parse_line,
    read_plain,
    site_in,
)
from service.wire.native import Misfit

FORMAT = 1
_MARK = 12


@dataclass(slots=True)
class Sum:
    """The SHA-256 of lines, and its marks."""

    lines: int = 0
    marks: list[str] = field(default_factory=list)
    _sum: hashlib._Hash = field(default_factory=hashlib.sha256)

    def add(self, line: bytes) -> None:
        self._sum.update(line if line.endswith(b"\n") else line + b"\n")
        self.lines += 1
        if self.lines % MARK_EVERY == 0:
            self.marks.append(self._sum.hexdigest()[:_MARK])

    def hex(self) -> str:
        return self._sum.hexdigest()


@dataclass(slots=True)
class Reader:
    """Reads one recording. ``number`` is that of the line read last, ``site`` whose it is, ``plain`` whether
    lines that others wrote are read too; ``manifest`` is there once it was read and found true."""

    plain: bool = False
    number: int = 0
    entries: int = 0
    site: str = ""
    manifest: Manifest | None = None
    _sealed: bool = False
    _begun: bool = False
    _sum: Sum = field(default_factory=Sum)
    _next: int | None = None
    _skip: str = ""

    def read(self, lines: Iterable[bytes]) -> Iterator[StartState | JournalEntry]:
        """All of them, one after another. ``Unfit``: a line isn't ours, or the recording isn't whole."""
        for line in lines:
            what = self.hear(line)
            if isinstance(what, (StartState, JournalEntry)):
                yield what
        self.end()

    def hear(self, line: bytes) -> StartState | JournalEntry | PlainLine | None:
        """What the next line says; ``None``: nothing. Raises ``Unfit``."""
        self.number += 1
        try:
            return self._read(line) if line.strip() else None
        except Misfit as misfit:
            raise self.unfit(misfit) from None
        finally:
            if self._sealed and self.manifest is None:
                self._sum.add(line)

    def end(self) -> None:
        """There are no more lines. ``Unfit``: there should be."""
        if self._sealed and self.manifest is None:
            raise Unfit(f"cut short after line {self.number}: the manifest that should end it isn't there")

    def unfit(self, problem: Exception) -> Unfit:
        """What is wrong with the line read last."""
        return Unfit(f"line {self.number}: {problem}")

    def _read(self, line: bytes) -> StartState | JournalEntry | PlainLine | None:
        if self.manifest is not None:
            raise Misfit("more after the manifest: two recordings in one can't be read as one")
        begun, self._begun = self._begun, True
        if self.plain and (own := read_plain(line)) is not None:
            return own
        name, source, sealed, what = parse_line(line)
        if isinstance(what, Manifest):
            self._check(what)
            return None
        if isinstance(what, StartState):
            if begun:
                raise Misfit("a second start state: two recordings in one can't be read as one")
            self._sealed, self._next = sealed, what.position
        else:
            self.entries += 1
            self._count(name)
        if not begun:
            self.site = site_in(source)
        return what

    def _count(self, name: str) -> None:
        """The first entry that isn't the next of its journal, for the manifest to complain of."""
        if self._next is None or self._skip:
            return
        if name != str(self._next):
            self._skip = f"line {self.number} has entry {name}, where entry {self._next} should be"
        self._next += 1

    def _check(self, manifest: Manifest) -> None:
        if not self._sealed:
            raise Misfit("a manifest of another recording, or the first line was changed")
        if manifest.format != FORMAT:
            raise Misfit(f"format {manifest.format} of recordings, and only {FORMAT} is known here")
        if self._skip:
            raise Unfit(f"changed: {self._skip}")
        if self.entries != manifest.entries:
            raise Unfit(f"changed: {self.entries} entries, the manifest says {manifest.entries}")
        if self._sum.hex() != manifest.sha256:
            raise Unfit(f"changed {self._between(manifest.marks)}: its SHA-256 isn't that of the manifest")
        self.manifest = manifest

    def _between(self, marks: list[str]) -> str:
        found = self._sum.marks
        same = next((n for n, (a, b) in enumerate(zip(found, marks, strict=False)) if a != b), len(found))
        first, last = same * MARK_EVERY + 1, min((same + 1) * MARK_EVERY, self._sum.lines)
        return f"between line {first} and line {last}" if last > first else f"at line {first}"


@dataclass(slots=True)
class Seal:
    """Ends a recording with a manifest. ``program``: the version that writes it."""

    program: str = field(default_factory=partial(version, "earlybell"))
    pseudonyms: bool = False
    position: int = 0
    entries: int = 0
    first: Instant | None = None
    last: Instant = 0
    _sum: Sum = field(default_factory=Sum)

    def state(self, state: StartState, line: bytes) -> bytes:
        self.position, self.last = state.position, state.at
        self._sum.add(line)
        return line

    def entry(self, entry: JournalEntry, line: bytes) -> bytes:
        self.entries += 1
        self.first = entry.at if self.first is None else self.first
        self.last = entry.at
        self._sum.add(line)
        return line

    def end(self, exporter: Exporter) -> bytes:
        """The last line."""
        manifest = Manifest(
            format=FORMAT,
            program=self.program,
            site=exporter.site,
            position=self.position,
            entries=self.entries,
            first=None if self.first is None else exact(self.first),
            last=None if self.first is None else exact(self.last),
            sha256=self._sum.hex(),
            marks=self._sum.marks,
            pseudonyms=self.pseudonyms,
        )
        return exporter.manifest(manifest, self.last)


def in_words(manifest: Manifest, timezone: str) -> list[str]:
    """What a manifest says, for people, a line each."""
    last = manifest.position + manifest.entries - 1
    names = "names are pseudonyms" if manifest.pseudonyms else "names are as they were"
    if manifest.first is None or manifest.last is None:
        return [f"no entries of {manifest.site}", f"by earlybell {manifest.program}; {names}"]
    first, until = (_local(moment, timezone) for moment in (manifest.first, manifest.last))
    return [
        f"{manifest.entries} entries of {manifest.site}, from {first} to {until} {timezone}",
        f"numbers {manifest.position} to {last} of its journal; by earlybell {manifest.program}; {names}",
        f"SHA-256 {manifest.sha256}",
    ]


def _local(moment: str, timezone: str) -> str:
    return f"{datetime.fromisoformat(moment).astimezone(ZoneInfo(timezone)):%Y-%m-%d %H:%M:%S}"
