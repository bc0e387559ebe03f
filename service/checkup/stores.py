"""The store: reached, at this program's schema, in somebody's charge, as large as what is kept explains."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from sqlalchemy import Connection, select

from service.checkup.case import Case
from service.checkup.finding import Finding, good, look, wrong
from service.domain.model import SECOND, Instant, to_datetime
from service.domain.shards import Shard, fitting
from service.ports import StoreError, StoreRevisionError
from service.store import Store, refuse_unregistered
from service.store.disk import MOUNTS, kind_of
from service.store.lease import now_of
from service.store.schema import head
from service.store.tables import journal

AREA = "store"
DAY = 24 * 3600 * SECOND
_MENDED_FROM = 2012
"""PostgreSQL N is mended until November of the year 2012 + N (14: 2026), by its makers' versioning policy."""
LARGE_LOG = 256 * 1024 * 1024
"""Bytes of SQLite's log: it is folded in at 16 MB and cut to 64, so more shows that something reads on."""


def store(case: Case) -> Iterator[Finding]:
    file = case.store_file
    if file is not None and not file.exists() and file.absolute().parent.is_dir():
        yield look(AREA, f"{file} isn't there yet", "`earlybell run` makes it")
        return
    try:
        opened = case.opened()
        seen = opened.database.read(lambda connection: _look(connection, case.clock))
        held = opened.leases.look()
        shards = opened.registry.shards()
    except (StoreError, StoreRevisionError) as error:
        yield _unusable(case, error)
        return
    yield good(AREA, f"revision {head()}, as this program needs it")
    if held is not None and seen.now < held.until:
        yield good(AREA, f"in charge: {held.owner} (term {held.term})")
    else:
        yield look(AREA, "no instance is in charge", "start the service: nothing is heard without it")
    yield from _division(case, shards)
    yield from _journal(case, seen)
    yield from _file(file) if file is not None else _server(case, opened)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Seen:
    """``now`` by the store's clock; how many ``entries`` the journal holds, and when its ends were."""

    now: Instant
    entries: int
    first: Instant | None
    last: Instant | None


def _look(connection: Connection, clock: Callable[[], Instant]) -> _Seen:
    """By the journal's key: reading all of it would take minutes."""
    rows = select(journal.c.first, journal.c.count, journal.c.from_at, journal.c.to_at)
    first, last = (
        connection.execute(rows.order_by(end).limit(1)).one_or_none()
        for end in (journal.c.first, journal.c.first.desc())
    )
    now = now_of(connection, clock)
    if first is None or last is None:
        return _Seen(now=now, entries=0, first=None, last=None)
    entries = last.first + last.count - first.first
    return _Seen(now=now, entries=entries, first=first.from_at, last=last.to_at)


def _unusable(case: Case, error: StoreError | StoreRevisionError) -> Finding:
    text = str(error)
    found, colon, to_do = text.rpartition(": ")
    if isinstance(error, StoreRevisionError) and colon and " " in to_do:
        return wrong(AREA, found, to_do)  # these texts end with what to do
    if case.store_file is not None:
        return wrong(AREA, text, "make room on its disk, or find who holds the file")
    return wrong(AREA, text, "start the database, or correct store.url; look at the network in between")


def _division(case: Case, shards: Sequence[Shard]) -> Iterator[Finding]:
    """Whether the floor is divided as the settings say, and no line is named by two."""
    own = case.settings.share
    try:
        refuse_unregistered(own, shards)
    except StoreRevisionError as error:
        yield _unusable(case, error)
    else:
        if own is not None:
            yield good(AREA, f"shard {own.name} of {len(shards)}, with the lines {', '.join(own.lines)}")
    known = {station.line for station in case.stations() or ()}
    for line in sorted(known.union(*(shard.lines for shard in shards))):
        first, *others = [shard.name for shard in fitting(line, shards)] or [""]
        if others:
            yield look(
                AREA,
                f"line {line} fits the lines of shards {first}, {', '.join(others)}: {first} has it",
                "let the lines of one of them alone fit it, unless it is meant so",
            )


def _journal(case: Case, seen: _Seen) -> Iterator[Finding]:
    if seen.first is None or seen.last is None:
        yield good(AREA, "nothing was heard yet")
        return
    kept = case.settings.store
    days = (seen.now - seen.first) / DAY
    yield good(
        AREA,
        f"{seen.entries} journal entries, from {_day(seen.first)} to {_day(seen.last)}"
        f" ({kept.keep_events_days} days are kept)",
    )
    if days > kept.keep_events_days + kept.hold_events_days + 2:
        yield look(
            AREA,
            f"the oldest is {days:.0f} days old: nothing was forgotten for a while",
            "the service forgets once a day while it is in charge; look for `prune` in its log",
        )


def _file(file: Path) -> Iterator[Finding]:
    kind = "unknown"
    if MOUNTS.exists():
        mounts = MOUNTS.read_text(encoding="utf-8", errors="surrogateescape")
        kind = kind_of(file.absolute().parent, mounts) or kind
    log = Path(f"{file}-wal")
    size = log.stat().st_size if log.exists() else 0
    yield good(AREA, f"{_megabytes(file.stat().st_size)} in {file}, {_megabytes(size)} of log, on {kind}")
    if size > LARGE_LOG:
        yield look(
            AREA,
            f"the write-ahead log has {_megabytes(size)}",
            "find who keeps the file open: a backup, a tool",
        )
    if kind in ("tmpfs", "overlay", "ramfs"):
        yield look(
            AREA,
            f"{file} is on {kind}: it may be gone with the machine or the container",
            "put it on a disk or a volume that stays",
        )
    mode = file.stat().st_mode
    if mode & 0o022:
        yield look(AREA, f"others may write {file}", f"chmod go-w {file}")
    if os.geteuid() not in (0, file.stat().st_uid):  # what root makes beside it, SQLite gives to its owner
        yield look(
            AREA,
            f"{file} belongs to another user than the one who asks",
            "run commands as the service's user, or its files become unreadable to it",
        )


def _server(case: Case, opened: Store) -> Iterator[Finding]:
    names = (
        "server_version_num",
        "server_encoding",
        "fsync",
        "max_connections",
        "default_transaction_read_only",
    )

    def ask(connection: Connection) -> tuple[dict[str, str], int, int, bool]:
        said = {name: str(connection.exec_driver_sql(f"SHOW {name}").scalar_one()) for name in names}
        sizes = "SELECT pg_database_size(current_database()), pg_is_in_recovery(),"
        sizes += " (SELECT count(*) FROM pg_stat_activity)"
        size, stands_by, used = connection.exec_driver_sql(sizes).one()
        return said, int(size), int(used), bool(stands_by)

    try:
        said, size, used, stands_by = opened.database.read(ask)
    except StoreError as error:
        yield _unusable(case, error)
        return
    today = to_datetime(case.clock()).date()
    yield from server(said, today, size=size, used=used, stands_by=stands_by)


def server(said: dict[str, str], today: date, *, size: int, used: int, stands_by: bool) -> Iterator[Finding]:
    """What PostgreSQL says of itself: its settings by name, bytes, connections in use, whether it follows."""
    major, most = int(said["server_version_num"]) // 10_000, int(said["max_connections"])
    shown = f"PostgreSQL {major}.{int(said['server_version_num']) % 10_000}"
    yield good(AREA, f"{shown}, {said['server_encoding']}, {_megabytes(size)}")
    if today >= date(_MENDED_FROM + major, 12, 1):
        yield look(AREA, f"{shown} gets no more fixes", "upgrade it to one that its makers still mend")
    if said["server_encoding"] != "UTF8":
        yield wrong(
            AREA, f"its encoding is {said['server_encoding']}", "create a database with ENCODING 'UTF8'"
        )
    if said["fsync"] != "on":
        yield wrong(AREA, "fsync is off: a power cut may destroy the database", "set fsync = on")
    if stands_by or said["default_transaction_read_only"] == "on":
        yield wrong(AREA, "it may only be read", "name the server in store.url that may be written")
    if used > 0.9 * most:
        what = "raise max_connections (an instance takes up to 30)"
        yield look(AREA, f"{used} of {most} connections are in use", what)


def _day(at: Instant) -> str:
    return f"{to_datetime(at):%Y-%m-%d}"


def _megabytes(size: int) -> str:
    return f"{size / 1_000_000:.1f} MB"
