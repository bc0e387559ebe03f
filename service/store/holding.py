"""What a store holds, in figures by which two of them are compared, and how one becomes the other.

Both databases have the same tables, so a copy of either is an SQLite file, and goes back into either."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import (
    URL,
    Connection,
    Engine,
    NullPool,
    create_engine,
    delete,
    event,
    func,
    insert,
    inspect,
    literal,
    select,
)
from sqlalchemy.exc import DBAPIError

from service.ports import StoreError
from service.store.engines import is_sqlite, migrator, sqlite_reader
from service.store.faults import Fault, judge, words
from service.store.schema import found_revision, stamp
from service.store.tables import journal_end, metadata, state

_PIECE = 500
"""Rows in memory at a time: those of the journal hold about 10 KB each."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Holding:
    """``position``: the number of the next journal entry. ``rows`` by table; ``states``: a digest of all."""

    revision: str | None
    position: int
    rows: Mapping[str, int]
    states: str


def holding(connection: Connection) -> Holding:
    """What is in the store of this connection, as far as its revision has the tables."""
    there = set(inspect(connection).get_table_names())
    tables = [table for table in metadata.sorted_tables if table.name in there]
    rows = {
        table.name: connection.execute(select(func.count()).select_from(table)).scalar_one()
        for table in tables
    }
    digest = hashlib.sha256()
    wanted = select(state.c.key, state.c.data).order_by(state.c.key)
    for row in connection.execute(wanted, execution_options={"yield_per": _PIECE}):
        for part in (row.key.encode("utf-8", "surrogatepass"), row.data):
            digest.update(len(part).to_bytes(8) + part)
    return Holding(
        revision=found_revision(connection),
        position=connection.execute(select(journal_end.c.position)).scalar_one(),
        rows=rows,
        states=digest.hexdigest(),
    )


@contextmanager
def snapshot(url: URL, schema: str | None = None) -> Iterator[Connection]:
    """The store of one moment, that of the first look; writers aren't held up. Raises ``StoreError``."""
    if is_sqlite(url):
        engine = sqlite_reader(url)
    else:
        patient = migrator(url, schema)
        engine = patient.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
    with _told(), _closing(engine), engine.connect() as connection, connection.begin():
        yield connection


@contextmanager
def changing(url: URL, schema: str | None = None) -> Iterator[Connection]:
    """One transaction that may take long and waits only seconds for a lock. Raises ``StoreError``."""
    engine = migrator(url, schema)
    with _told(), _closing(engine), engine.begin() as connection:
        yield connection


@contextmanager
def copy_at(path: Path, *, to_write: bool = False) -> Iterator[Connection]:
    """A copy in a file of its own; ``to_write`` in one transaction, without a log: it has a name only later.
    Raises what SQLite and SQLAlchemy raise."""
    mode = "rw" if to_write else "ro"
    where = f"file:{quote(str(path.absolute()))}?mode={mode}"
    engine = create_engine(
        "sqlite://",
        creator=lambda: sqlite3.connect(where, uri=True, isolation_level=None),
        poolclass=NullPool,
    )

    @event.listens_for(engine, "begin")
    def start(connection: Connection) -> None:
        connection.exec_driver_sql("BEGIN IMMEDIATE" if to_write else "BEGIN")

    with _closing(engine), engine.begin() as connection:
        yield connection


def copy_pages(source: Connection, target: Path) -> None:
    """All of an SQLite store, of the moment that ``source`` reads."""
    store: Any = source.connection.driver_connection
    copy = sqlite3.connect(target)
    try:
        store.backup(copy)  # in one step: one moment, and writers aren't held up
        copy.execute("PRAGMA journal_mode=DELETE")  # one file, without a log beside it
    finally:
        copy.close()


def make_tables(target: Connection) -> None:
    """Those of this program's revision, in an empty copy."""
    metadata.create_all(target)
    stamp(target)


def copy_rows(source: Connection, target: Connection) -> None:
    """Make ``target`` hold what ``source`` holds; both are at this program's revision."""
    for table in reversed(metadata.sorted_tables):
        target.execute(delete(table))
    for table in metadata.sorted_tables:
        found = source.execute(select(table), execution_options={"yield_per": _PIECE})
        for piece in found.mappings().partitions():
            target.execute(insert(table), [dict(row) for row in piece])
    if target.dialect.name == "postgresql":
        _number_on(target)


def _number_on(connection: Connection) -> None:
    """What PostgreSQL numbers goes on behind the numbers that were copied, and behind those it gave before:
    other shards have heard them, and have ranges of their own."""
    for table in metadata.sorted_tables:
        for column in table.c:
            if column.identity is not None:
                sequence = func.pg_get_serial_sequence(literal(table.name), literal(column.name))
                last = select(func.coalesce(func.max(column), 0) + 1).scalar_subquery()
                following = func.greatest(last, func.nextval(sequence))
                connection.execute(select(func.setval(sequence, following, False)))


@contextmanager
def _closing(engine: Engine) -> Iterator[None]:
    try:
        yield
    finally:
        engine.dispose()


@contextmanager
def _told() -> Iterator[None]:
    try:
        yield
    except DBAPIError as error:
        if judge(error) in (Fault.AGAIN, Fault.LATER):
            raise StoreError(f"the store can't serve now: {words(error)}") from error
        raise
