"""What may be forgotten, and how: in short transactions, so that the writer never waits for a long one."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing
from pathlib import Path
from typing import Any, NamedTuple

from sqlalchemy import (
    Column,
    ColumnElement,
    Connection,
    Table,
    and_,
    delete,
    exists,
    func,
    literal,
    or_,
    select,
)

from service.domain.model import Instant
from service.store.database import Database
from service.store.tables import checkpoint, journal, notice, outbox, refused, run, stay

_Over = tuple[Table, ColumnElement[bool], Column[Any]]

_SLICE = 500
"""Rows a transaction: journal rows hold about 10 KB each, so a slice frees some 5 MB."""


class Prunable(NamedTuple):
    """What would go of a table; ``size`` in bytes, of what is in its rows."""

    rows: int
    size: int


def prunable(
    database: Database, before: Instant, stays_before: Instant | None = None
) -> Mapping[str, Prunable]:
    """What ``prune`` would delete now, by table. Runs go with their stays, so there may be more of them."""

    def look(connection: Connection) -> dict[str, Prunable]:
        found = {}
        for table, condition, _ in _over(before, stays_before, _kept_checkpoint(connection, before)):
            size = func.coalesce(func.sum(func.length(table.c.data)), 0) if "data" in table.c else literal(0)
            wanted = select(func.count(), size).select_from(table).where(condition)
            found[table.name] = Prunable(*map(int, connection.execute(wanted).one()))
        return found

    return database.read(look)


def free_inside(path: Path) -> int:
    """Bytes of an SQLite file that are free for what comes; the file doesn't get smaller by itself."""
    with closing(sqlite3.connect(path)) as connection:
        (pages,) = connection.execute("PRAGMA freelist_count").fetchone()
        (size,) = connection.execute("PRAGMA page_size").fetchone()
    return int(pages) * int(size)


def shrink(path: Path) -> int:
    """Write an SQLite file anew without what is free in it; the bytes by which it got smaller. Nobody else
    may use it, and meanwhile the disk needs as much room again."""
    before = path.stat().st_size
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("VACUUM")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return before - path.stat().st_size


def prune(database: Database, before: Instant, stays_before: Instant | None = None) -> int:
    """Forget what is wholly older than ``before``, stays and runs by a limit of their own; the number of rows
    that were deleted."""
    kept = database.read(lambda connection: _kept_checkpoint(connection, before))
    over = _over(before, stays_before, kept)
    return sum(_forget(database, table, condition, by) for table, condition, by in over)


def _over(before: Instant, stays_before: Instant | None, kept: int | None) -> list[_Over]:
    return [*_forgettable(before, kept), *([] if stays_before is None else _old_stays(stays_before))]


def _kept_checkpoint(connection: Connection, before: Instant) -> int | None:
    """The position of the newest checkpoint not after ``before``."""
    newest = checkpoint.c.at.desc(), checkpoint.c.position.desc()
    found = select(checkpoint.c.position).where(checkpoint.c.at <= before).order_by(*newest).limit(1)
    return connection.execute(found).scalar_one_or_none()


def _forgettable(before: Instant, kept: int | None) -> Iterator[_Over]:
    old_entries, old_checkpoints = journal.c.to_at < before, checkpoint.c.at < before
    if kept is not None:
        # A checkpoint without the entries that follow it would be of no use.
        old_entries = and_(old_entries, journal.c.first + journal.c.count <= kept)
        old_checkpoints = and_(old_checkpoints, checkpoint.c.position != kept)
    unsettled = select(outbox.c.notice_id).where(outbox.c.settled_at.is_(None))
    told = and_(notice.c.closed_at < before, notice.c.id.not_in(unsettled))
    yield journal, old_entries, journal.c.to_at
    yield checkpoint, old_checkpoints, checkpoint.c.at
    yield outbox, outbox.c.settled_at < before, outbox.c.settled_at
    yield notice, told, notice.c.closed_at
    yield refused, refused.c.last_seen < before, refused.c.last_seen


def _old_stays(before: Instant) -> Iterator[_Over]:
    """A run goes when no stay is left that any of its panels is of."""
    yield stay, stay.c.to_at < before, stay.c.to_at
    there = stay.c.line == run.c.line, stay.c.station == run.c.station
    overlaps = or_(stay.c.last_panel.is_(None), stay.c.last_panel >= run.c.first_panel)
    fed = exists().where(*there, overlaps, stay.c.first_panel <= run.c.last_panel)
    yield run, and_(run.c.at < before, run.c.last_panel.is_not(None), ~fed), run.c.at


def _forget(database: Database, table: Table, condition: ColumnElement[bool], by: Column[Any]) -> int:
    (key,) = table.primary_key
    oldest = select(key).where(condition).order_by(by).limit(_SLICE)
    statement = delete(table).where(key.in_(oldest))
    forgotten = 0
    while True:
        rows = database.write(lambda connection: connection.execute(statement).rowcount)
        forgotten += rows
        if rows < _SLICE:
            return forgotten
