"""What may be forgotten, and how: in short transactions, so that the writer never waits for a long one."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from sqlalchemy import Column, ColumnElement, Connection, Table, and_, delete, exists, or_, select

from service.domain.model import Instant
from service.store.database import Database
from service.store.tables import checkpoint, journal, notice, outbox, refused, run, stay

_SLICE = 500
"""Rows a transaction: journal rows hold about 10 KB each, so a slice frees some 5 MB."""


def prune(database: Database, before: Instant, stays_before: Instant | None = None) -> int:
    """Forget what is wholly older than ``before``, stays and runs by a limit of their own; the number of rows
    that were deleted."""
    kept = database.read(lambda connection: _kept_checkpoint(connection, before))
    over = [*_forgettable(before, kept), *([] if stays_before is None else _old_stays(stays_before))]
    return sum(_forget(database, table, condition, by) for table, condition, by in over)


def _kept_checkpoint(connection: Connection, before: Instant) -> int | None:
    """The position of the newest checkpoint not after ``before``."""
    newest = checkpoint.c.at.desc(), checkpoint.c.position.desc()
    found = select(checkpoint.c.position).where(checkpoint.c.at <= before).order_by(*newest).limit(1)
    return connection.execute(found).scalar_one_or_none()


def _forgettable(
    before: Instant, kept: int | None
) -> Iterator[tuple[Table, ColumnElement[bool], Column[Any]]]:
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


def _old_stays(before: Instant) -> Iterator[tuple[Table, ColumnElement[bool], Column[Any]]]:
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
