"""What happened in a recorded time, read once: the ground on which a review stands.

Folds the start state and the entries into a world and keeps what each of them changed. What came before
the time is folded and not kept.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Protocol

from service.domain.events import JournalEntry
from service.domain.model import Instant
from service.domain.notices import Told
from service.domain.track import Track
from service.domain.world import World
from service.usecases.fold import begin, fold
from service.usecases.noticing import Noticing
from service.usecases.recording import Reader
from service.wire.journal import StartState
from service.wire.native import Misfit

_STEP = 1000
"""Entries after which progress is told."""


class Watch(Protocol):
    """Looks on while a time is observed."""

    def look(self, world: World, at: Instant, entry: JournalEntry, told: list[Told]) -> None:
        """After each entry that is kept; the world is as the entry left it, and not to be changed."""


def observe(
    lines: Iterable[bytes],
    *,
    since: Instant | None = None,
    until: Instant | None = None,
    watch: Sequence[Watch] = (),
    progress: Callable[[int], None] | None = None,
) -> Track:
    """The time from ``since`` to ``until`` (not including), without them from the first entry to the last.
    ``progress`` hears how many entries were read. ``Unfit``: a line isn't ours."""
    observer = _Observer(since, until, watch)
    reader = Reader()
    for read, what in enumerate(reader.read(lines), 1):
        try:
            goes_on = observer.hear(what)
        except Misfit as misfit:
            raise reader.unfit(misfit) from None
        if not goes_on:
            break
        if progress is not None and read % _STEP == 0:
            progress(read)
    return observer.finish(reader.site)


@dataclass(slots=True)
class _Observer:
    since: Instant | None
    until: Instant | None
    watch: Sequence[Watch]
    world: World | None = None
    noticing: Noticing | None = None
    last: Instant = 0

    def hear(self, what: StartState | JournalEntry) -> bool:
        """Whether what follows may still matter."""
        if isinstance(what, StartState):
            self.world, self.last = begin(what), what.at
            return True
        if self.world is None:
            self.world = World()
        if self.until is not None and what.at >= self.until:
            return False
        self.last = what.at
        if self.since is not None and what.at < self.since:
            fold(self.world, what)
        else:
            self._keep(self.world, what)
        return True

    def _keep(self, world: World, entry: JournalEntry) -> None:
        noticing = self._noticing(world, entry.at)
        note = noticing.expect(entry)
        told = fold(world, entry)
        if told is None:
            return
        note()
        noticing.told(entry, told)
        for each in self.watch:
            each.look(world, entry.at, entry, told)

    def _noticing(self, world: World, at: Instant) -> Noticing:
        if self.noticing is None:
            self.noticing = Noticing(world, Track(since=at if self.since is None else self.since, until=0))
        return self.noticing

    def finish(self, site: str) -> Track:
        noticing = self._noticing(World() if self.world is None else self.world, self.last)
        end = self.last + 1 if self.until is None else self.until
        return noticing.finish(site, max(end, noticing.track.since))
