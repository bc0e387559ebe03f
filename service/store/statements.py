"""The writing statements that the two databases spell differently, each built once."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from itertools import chain
from typing import Any

from sqlalchemy import ColumnElement, Connection, Table, case, delete, func, select
from sqlalchemy.dialects import postgresql, sqlite

from service.store.rows import Row
from service.store.tables import checkpoint, journal, notice, outbox, refused, run, stay, traffic

REFUSED_KEPT = 10_000
"""Rows of refused messages; the newest stay, so a flood of garbage can't fill the disk."""

# The hot path, hundreds of rows a commit, in the driver's own words. SQLite: 50 rows in one statement take
# half of what 50 statements do. PostgreSQL takes two binary arrays in one: 3.2 instead of 4.9 ms for 200
# statements in a pipeline.
_TOGETHER = 50
_SAVE_STATES = "INSERT INTO state (key, data) {} ON CONFLICT (key) DO UPDATE SET data = excluded.data"
_SAVE_ONE = _SAVE_STATES.format("VALUES (?, ?)")
_SAVE_TOGETHER = _SAVE_STATES.format("VALUES " + ", ".join(["(?, ?)"] * _TOGETHER))
_SAVE_ARRAYS = _SAVE_STATES.format("SELECT * FROM unnest(%b::text[], %b::bytea[])")


def save_states(connection: Connection, rows: Sequence[tuple[str, bytes]]) -> None:
    """Insert or replace the states under these stored (escaped) keys."""
    if connection.dialect.name == "postgresql":
        keys, datas = zip(*rows, strict=True)
        connection.exec_driver_sql(_SAVE_ARRAYS, (list(keys), list(datas)))
        return
    alone = len(rows) % _TOGETHER
    if alone:
        connection.exec_driver_sql(_SAVE_ONE, list(rows[:alone]))
    for first in range(alone, len(rows), _TOGETHER):
        connection.exec_driver_sql(_SAVE_TOGETHER, tuple(chain(*rows[first : first + _TOGETHER])))


def save_notices(connection: Connection, rows: Sequence[Row]) -> None:
    connection.execute(_replacing(connection.dialect.name, notice), rows)


def save_stays(connection: Connection, rows: Sequence[Row]) -> None:
    connection.execute(_replacing(connection.dialect.name, stay), rows)


def save_runs(connection: Connection, rows: Sequence[Row]) -> None:
    connection.execute(_replacing(connection.dialect.name, run), rows)


def save_checkpoint(connection: Connection, row: Row) -> None:
    connection.execute(_replacing(connection.dialect.name, checkpoint), [row])


def save_traffic(connection: Connection, row: Row) -> None:
    connection.execute(_replacing(connection.dialect.name, traffic), [row])


def add_deliveries(connection: Connection, rows: Sequence[Row]) -> None:
    """Enqueue in order; a key that is there already stays as it is."""
    connection.execute(_adding(connection.dialect.name), rows)


def count_refused(connection: Connection, rows: Sequence[Row]) -> None:
    connection.execute(_counting(connection.dialect.name), rows)


def bound_refused(connection: Connection) -> None:
    newest = refused.c.last_seen.desc(), refused.c.id.desc()
    beyond = select(refused.c.id).order_by(*newest).offset(REFUSED_KEPT)
    connection.execute(delete(refused).where(refused.c.id.in_(beyond)))


def from_entry(position: int) -> ColumnElement[bool]:
    """The journal batches from the one that holds entry ``position`` on."""
    holding = select(func.max(journal.c.first)).where(journal.c.first <= position).scalar_subquery()
    return journal.c.first >= func.coalesce(holding, position)


def _insert(dialect: str, table: Table) -> Any:
    return (postgresql if dialect == "postgresql" else sqlite).insert(table)


@cache
def _replacing(dialect: str, table: Table) -> Any:
    insert = _insert(dialect, table)
    key, *others = table.columns
    return insert.on_conflict_do_update(
        index_elements=[key], set_={column.name: insert.excluded[column.name] for column in others}
    )


@cache
def _adding(dialect: str) -> Any:
    return _insert(dialect, outbox).on_conflict_do_nothing(index_elements=[outbox.c.key])


@cache
def _counting(dialect: str) -> Any:
    insert = _insert(dialect, refused)
    new, old = insert.excluded, refused.c
    return insert.on_conflict_do_update(
        index_elements=[old.digest],
        set_={
            "times": old.times + new.times,
            "first_seen": case((new.first_seen < old.first_seen, new.first_seen), else_=old.first_seen),
            "last_seen": case((new.last_seen > old.last_seen, new.last_seen), else_=old.last_seen),
        },
    )
