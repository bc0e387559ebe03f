"""What each shard tells the others: a row of its own schema for each batch that has something to tell."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import MetaData, Table, delete, select

from service.domain.model import Instant
from service.store.database import Database
from service.store.tables import word


class SqlWords:
    """``ports.Words`` of the shard whose store is in ``schema``; ``None``: in that of ``database``."""

    def __init__(self, database: Database, schema: str | None = None) -> None:
        self._database = database
        self._table: Table = word if schema is None else word.to_metadata(MetaData(), schema=schema)

    def after(self, position: int, *, limit: int) -> Sequence[tuple[int, bytes]]:
        rows = self._table.c
        wanted = select(rows.id, rows.data).where(rows.id > position).order_by(rows.id).limit(limit)
        return self._database.read(
            lambda connection: [(row.id, row.data) for row in connection.execute(wanted)]
        )

    def oldest(self) -> int | None:
        first = select(self._table.c.id).order_by(self._table.c.id).limit(1)
        found = self._database.read(lambda connection: connection.execute(first).first())
        return None if found is None else int(found.id)

    def forget(self, *, before: Instant) -> int:
        old = delete(self._table).where(self._table.c.at < before)
        return self._database.write(lambda connection: connection.execute(old).rowcount)
