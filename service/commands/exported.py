"""The command that takes the journal out of the store, and looks whether a recording is whole: ``export``."""

from __future__ import annotations

import argparse
import contextlib
import os
import secrets
import sys
from pathlib import Path

from service.commands.common import Adding, open_it, problem, settings_of, span
from service.desk import Unfit
from service.domain.events import JournalEntry
from service.domain.hourly import HOUR
from service.domain.model import Instant
from service.paper.hours import sheet_of_hours
from service.ports import StoreError, StoreRevisionError
from service.recordings import lines_of, save
from service.settings import Settings
from service.usecases.export import export
from service.usecases.pseudonyms import SHORTEST_KEY
from service.usecases.recording import Reader, Seal, in_words
from service.wire.journal import read_entry
from service.wire.native import Misfit

DAY = 24 * HOUR
_WHEN = 'in the site\'s time zone, "2026-03-01 03:00"'


def add(commands: Adding, common: argparse.ArgumentParser) -> None:
    command = commands.add_parser(
        "export", parents=[common], help="the journal as a recording, also while the service runs"
    )
    command.add_argument(
        "file", type=Path, metavar="FILE", help="CloudEvents, one a line; .gz is packed; - is standard output"
    )
    command.add_argument("--from", dest="since", metavar="TIME", help=f"{_WHEN}; else all that is kept")
    command.add_argument("--to", dest="until", metavar="TIME", help="likewise; else all that is kept")
    command.add_argument(
        "--pseudonyms",
        action="store_true",
        help="other names for parts, lots, supplies, people, outlets, orders, recipes and the site, and no"
        " free text; lines, stations, slots, times and quantities stay as they are",
    )
    command.add_argument(
        "--key", type=Path, metavar="FILE", help="the same names as in others under this key; made if absent"
    )
    command.add_argument(
        "--hours",
        action="store_true",
        help="instead, the figures of each hour of each station as a sheet (CSV), which are kept for ever",
    )
    command.add_argument("--force", action="store_true", help="write over a FILE that is there")
    command.add_argument("--check", action="store_true", help="only look whether FILE is a whole recording")
    command.set_defaults(run=_export)


def _export(known: argparse.Namespace) -> int:
    settings = settings_of(known)
    try:
        since, until = span(known, settings.site.timezone)
        _must_follow(since, until)
        if known.hours:
            return _save_hours(settings, known, since, until)
        return _check(settings, known.file) if known.check else _save(settings, known, since, until)
    except (StoreError, StoreRevisionError, Unfit) as error:
        return problem(f"{known.file}: {error}")


def _must_follow(since: Instant | None, until: Instant | None) -> None:
    if since is not None and until is not None and until < since:
        raise Unfit("--to is before --from")


def _save(settings: Settings, known: argparse.Namespace, since: Instant | None, until: Instant | None) -> int:
    if known.key is not None and not known.pseudonyms:
        raise Unfit("--key: only with --pseudonyms")
    key = _key(known.key) if known.pseudonyms else None
    store = open_it(settings, migrate=False)
    try:
        seal = Seal(pseudonyms=known.pseudonyms)
        lines = export(store.archive, settings.site.name, since=since, until=until, seal=seal, key=key)
        size = save(known.file, lines, force=known.force)
    finally:
        store.close()
    print(f"exported {seal.entries} entries, {size} bytes", file=sys.stderr)
    return 0


def _save_hours(
    settings: Settings, known: argparse.Namespace, since: Instant | None, until: Instant | None
) -> int:
    if known.pseudonyms or known.check:
        raise Unfit("--hours: is no recording, so without --pseudonyms and --check")
    store = open_it(settings, migrate=False)
    try:
        begin, end = store.hours.first(), store.hours.rolled()
        if begin is None or end is None:
            raise Unfit("there are no figures yet: an hour's come when it has been over for a quarter of one")
        begin, end = max(begin, since or begin), min(end, until or end)
        days = range(begin, end, DAY)
        figures = (each for day in days for each in store.hours.between(day, min(day + DAY, end)))
        size = save(known.file, sheet_of_hours(figures), force=known.force)
    finally:
        store.close()
    print(f"exported the figures of {max(0, end - begin) // HOUR} hours, {size} bytes", file=sys.stderr)
    return 0


def _key(file: Path | None) -> bytes:
    """A key of its own, forgotten afterwards, or the one in ``file``. Who has it can try names."""
    if file is None:
        return secrets.token_bytes(32)
    try:
        with contextlib.suppress(FileExistsError), open(file, "x", opener=_for_us_alone) as made:
            made.write(secrets.token_hex(32) + "\n")
        key = file.read_bytes().strip()
    except OSError as error:
        raise Unfit(f"--key: {file}: {error.strerror}") from None
    if len(key) < SHORTEST_KEY:
        raise Unfit(f"--key: {file}: has fewer than {SHORTEST_KEY} characters")
    return key


def _for_us_alone(path: str, flags: int) -> int:
    return os.open(path, flags, 0o600)


def _check(settings: Settings, file: Path) -> int:
    reader = Reader()
    for what in reader.read(lines_of(file)):
        try:
            if isinstance(what, JournalEntry) and what.kind != "settings":
                read_entry(what)
        except Misfit as misfit:
            raise reader.unfit(misfit) from None
    if reader.manifest is None:
        raise Unfit(
            f"{reader.entries} entries can be read, but without a manifest nobody can say whether these are"
            " all of them"
        )
    print(f"{file}: whole")
    for line in in_words(reader.manifest, settings.site.timezone):
        print(f"  {line}")
    return 0
