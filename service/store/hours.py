"""The figures of each line's hours: written once an hour, read for a comparison, never forgotten."""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from typing import Any

import msgspec
from sqlalchemy import Connection, delete, func, select
from sqlalchemy.dialects import postgresql, sqlite

from service.domain.hourly import LineHour
from service.domain.model import Instant
from service.store.database import Database
from service.store.tables import hour, rolled

_ALL = "hours"
_figures = msgspec.json.Decoder(LineHour)


class SqlHours:
    """``ports.Hours``: ``anyone`` reads, ``owner`` (which looks at the lease) writes."""

    def __init__(self, anyone: Database, owner: Database) -> None:
        self._anyone = anyone
        self._owner = owner

    def rolled(self) -> Instant | None:
        wanted = select(rolled.c.until).where(rolled.c.name == _ALL)
        found = self._anyone.read(lambda connection: connection.execute(wanted).scalar_one_or_none())
        return None if found is None else int(found)

    def first(self) -> Instant | None:
        oldest = select(func.min(hour.c.begin))
        found = self._anyone.read(lambda connection: connection.execute(oldest).scalar_one_or_none())
        return None if found is None else int(found)

    def save(self, begin: Instant, figures: Sequence[LineHour], *, rolled: Instant) -> None:
        rows: list[dict[str, Any]] = [
            {"begin": begin, "line": each.line, "data": zlib.compress(msgspec.json.encode(each))}
            for each in figures
        ]

        def replace(connection: Connection) -> None:
            connection.execute(delete(hour).where(hour.c.begin == begin))
            if rows:
                connection.execute(hour.insert(), rows)
            _move(connection, rolled)

        self._owner.write(replace)

    def between(self, since: Instant, until: Instant) -> list[LineHour]:
        wanted = select(hour.c.data).where(hour.c.begin >= since, hour.c.begin < until)
        wanted = wanted.order_by(hour.c.begin, hour.c.line)
        rows = self._anyone.read(lambda connection: connection.execute(wanted).all())
        return [_figures.decode(zlib.decompress(row.data)) for row in rows]


def _move(connection: Connection, until: Instant) -> None:
    insert = postgresql.insert if connection.dialect.name == "postgresql" else sqlite.insert
    row = insert(rolled).values(name=_ALL, until=until)
    connection.execute(row.on_conflict_do_update(index_elements=[rolled.c.name], set_={"until": until}))
