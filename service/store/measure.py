"""How big the store is and what waits in it, for whoever watches: cheap to be asked every few seconds."""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, bindparam, func, or_, select, text

from service.domain.model import SECOND, Instant
from service.store.database import Database
from service.store.engines import is_sqlite
from service.store.tables import journal, journal_end, notice, outbox

OLDEST = select(journal.c.from_at).order_by(journal.c.first).limit(1)
"""When the oldest entry was that is kept: by the journal's key, for reading all of it would take minutes."""
_OPEN = select(notice.c.level, func.count()).where(notice.c.closed_at.is_(None)).group_by(notice.c.level)
HELD_BACK = 900 * SECOND
"""Longer than anything waits for a message to people that tells it together with others."""
_WAITS = (
    select(outbox.c.outlet, func.min(outbox.c.created_at))
    .where(outbox.c.settled_at.is_(None))
    .where(or_(outbox.c.attempts > 0, outbox.c.created_at < bindparam("held")))
    .group_by(outbox.c.outlet)
)
# Of the schema that we write to: others may share the database.
_TABLES = text(
    "SELECT coalesce(sum(pg_total_relation_size(oid)), 0) FROM pg_class"
    " WHERE relkind = 'r' AND relnamespace = current_schema()::regnamespace"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """``size`` and ``free`` in bytes, ``free`` where an SQLite file lies (``None``: another machine's
    disk); ``entries`` ever journalled and when the ``oldest`` that is kept was; since when each outlet's
    oldest delivery ``waits`` that was tried, or that nothing can hold back any more; open ``notices`` by
    level."""

    size: int
    free: int | None
    entries: int
    oldest: Instant | None
    waits: Mapping[str, Instant]
    notices: Mapping[str, int]


def measure(database: Database, *, now: Instant) -> Measured:
    """As it is ``now``. Raises ``StoreError``."""
    url = database.reader.url
    file = Path(str(url.database)) if is_sqlite(url) else None

    def look(connection: Connection) -> Measured:
        return Measured(
            size=int(connection.execute(_TABLES).scalar_one()) if file is None else _taken(file),
            free=None if file is None else _free(file),
            entries=connection.execute(select(journal_end.c.position)).scalar_one(),
            oldest=connection.execute(OLDEST).scalar_one_or_none(),
            waits={each.outlet: each[1] for each in connection.execute(_WAITS, {"held": now - HELD_BACK})},
            notices={each.level: each[1] for each in connection.execute(_OPEN)},
        )

    return database.read(look)


def _taken(file: Path) -> int:
    """With the log and its index, which come and go."""
    taken = 0
    for each in (file, Path(f"{file}-wal"), Path(f"{file}-shm")):
        with suppress(OSError):
            taken += each.stat().st_size
    return taken


def _free(file: Path) -> int | None:
    """For whoever isn't root."""
    try:
        found = os.statvfs(file.absolute().parent)
    except OSError:
        return None
    return found.f_bavail * found.f_frsize
