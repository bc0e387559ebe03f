"""All shards of a site read as one store: views over their schemas, in a schema of their own.

Whoever shows something asks these; what is written, and what says who is in charge, is each shard's own.
Numbers that people are shown (of a delivery, of a refused message) are each shard's from a range of its own,
so that none is there twice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Connection, Table, inspect, text
from sqlalchemy.schema import CreateSchema, DropSchema

from service.ports import StoreRevisionError
from service.store.archive import SqlArchive
from service.store.database import Database, connect
from service.store.engines import parse
from service.store.hours import SqlHours
from service.store.outbox import SqlOutbox
from service.store.schema import head
from service.store.sent import SqlSent
from service.store.stays import SqlLots
from service.store.tables import hour, notice, outbox, refused, rolled, run, stay, traffic

SCHEMA = "earlybell_all_shards"
_RANGE = 1 << 40
"""Numbers of a shard: a browser's own reach to 2^53, so there is room for some 8,000 shards."""
_NUMBERED = (outbox, refused)
_WHOLE = (hour, notice, outbox, refused, run, stay)


@dataclass(frozen=True, slots=True)
class United:
    """What there is to read of all shards; nothing can be written through it. The journals aren't in it."""

    archive: SqlArchive
    outbox: SqlOutbox
    sent: SqlSent
    lots: SqlLots
    hours: SqlHours
    database: Database

    def close(self) -> None:
        self.database.close()


def open_united(url: str) -> United:
    """Over the views as they are. ``StoreRevisionError``: there are none, as after a restore into a new
    database; ``StoreError``."""
    database = connect(parse(url), SCHEMA)
    if not database.read(lambda connection: inspect(connection).has_table(notice.name)):
        database.close()
        raise StoreRevisionError(
            "what there is to read of all shards isn't there: run `earlybell upgrade-store --config …` "
            "once with each shard's settings, then start again"
        )
    return United(
        SqlArchive(database, head()),
        SqlOutbox(database),
        SqlSent(database),
        SqlLots(database),
        SqlHours(database, database),
        database,
    )


def unite(connection: Connection, schemas: Sequence[str | None]) -> None:
    """Make the views anew, over those of the shards' ``schemas`` (``None``: the default one) that are at this
    program's revision.

    They hold on to the columns they show: a migration that drops or changes one drops this schema first."""
    connection.execute(DropSchema(SCHEMA, cascade=True, if_exists=True))
    quote = connection.dialect.identifier_preparer.quote
    default = connection.execute(text("SELECT current_schema()")).scalar_one()
    places = [
        place for schema in schemas if _revision(connection, place := quote(schema or default)) == head()
    ]
    if not places:
        return
    connection.execute(CreateSchema(SCHEMA))

    def view(table: Table, columns: str = "*", rest: str = "") -> None:
        names = ", ".join(quote(column.name) for column in table.columns)
        parts = (f"SELECT {names} FROM {place}.{quote(table.name)}" for place in places)  # noqa: S608
        rows = f"SELECT {columns} FROM ({' UNION ALL '.join(parts)}) AS every {rest}"  # noqa: S608 (our own names)
        connection.execute(text(f"CREATE VIEW {SCHEMA}.{quote(table.name)} AS {rows}"))

    for table in _WHOLE:
        view(table)
    view(rolled, "name, min(until) AS until", "GROUP BY name")
    # Of an outlet that several shards send through, what the one says that it treats worst.
    view(traffic, "DISTINCT ON (outlet) *", "ORDER BY outlet, failing_since IS NULL, failures DESC")


def number_apart(connection: Connection, schema: str, others: Sequence[str | None]) -> None:
    """Let a new shard's numbers begin where no other shard's are; one that has its own keeps it."""
    for table in _NUMBERED:
        if not _range_of(connection, table, schema):
            first = (1 + max(_range_of(connection, table, each) for each in others)) * _RANGE
            place = f"{connection.dialect.identifier_preparer.quote(schema)}.{table.name}"
            connection.execute(text(f"ALTER TABLE {place} ALTER COLUMN id RESTART WITH {first}"))


def _range_of(connection: Connection, table: Table, schema: str | None) -> int:
    place = (
        table.name
        if schema is None
        else f"{connection.dialect.identifier_preparer.quote(schema)}.{table.name}"
    )
    sequence = connection.execute(text(f"SELECT pg_get_serial_sequence('{place}', 'id')")).scalar_one()
    return int(connection.execute(text(f"SELECT last_value FROM {sequence}")).scalar_one()) // _RANGE  # noqa: S608


def _revision(connection: Connection, place: str) -> str | None:
    return connection.execute(text(f"SELECT version_num FROM {place}.alembic_version")).scalar_one_or_none()  # noqa: S608
