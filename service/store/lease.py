"""The lease on either database, and the look that every writing transaction of its holder takes at it.

That look locks the row for sharing: a takeover waits until what was begun under the old term has ended, and
what begins later finds the new term and fails. On SQLite one writer at a time gives the same."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import asdict, replace

from sqlalchemy import Connection, Row, Update, func, select, update
from sqlalchemy.dialects import postgresql, sqlite

from service.domain.model import SECOND, Instant
from service.lease import LENGTH, Lease, LeaseLost
from service.store.database import Database
from service.store.tables import lease

NAME = "owner"
_LENGTH = round(LENGTH * SECOND)
_ours = lease.c.name == NAME
_held = select(lease.c.owner, lease.c.life, lease.c.term, lease.c.until).where(_ours)
_database_clock = select(func.extract("epoch", func.clock_timestamp()) * SECOND)


def wall_clock() -> Instant:
    return time.time_ns() // 1000


def now_of(connection: Connection, clock: Callable[[], Instant] = wall_clock) -> Instant:
    """The store's clock: that of PostgreSQL for all its machines, ``clock`` for SQLite's only one."""
    if connection.dialect.name == "postgresql":
        return int(connection.execute(_database_clock).scalar_one())
    return clock()


def fence(term: int) -> Callable[[Connection], None]:
    """Raises ``LeaseLost`` in a transaction of a holder whose term is over; else holds on to the term."""
    held = select(lease.c.term).where(_ours, lease.c.term == term).with_for_update(read=True)

    def check(connection: Connection) -> None:
        if connection.execute(held).first() is None:
            raise LeaseLost

    return check


class SqlLeases:
    """``lease.Leases``. ``clock`` serves SQLite only, which has one machine and so one clock."""

    def __init__(self, database: Database, clock: Callable[[], Instant] = wall_clock) -> None:
        self._database = database
        self._clock = clock

    def look(self) -> Lease | None:
        row = self._database.read(lambda connection: connection.execute(_held).first())
        return None if row is None or row.term == 0 else _lease(row)

    def take(
        self, *, owner: str, life: str, at_once: bool = False, unmoved: Lease | None = None
    ) -> Lease | None:
        def is_free(held: Lease, now: Instant) -> bool:
            ours = held.life == life or (at_once and held.owner == owner)
            return ours or held.until <= now or held == unmoved

        def seems_free(connection: Connection) -> bool:
            row = connection.execute(_held).first()
            return row is None or is_free(_lease(row), self._now(connection))

        def attempt(connection: Connection) -> Lease | None:
            _begin(connection)
            held = _lease(connection.execute(_held.with_for_update()).one())
            now = self._now(connection)
            if not is_free(held, now):
                return None
            if held.life == life:  # taken before, and only the answer was lost
                return held
            new = Lease(owner=owner, life=life, term=held.term + 1, until=now + _LENGTH)
            connection.execute(update(lease).where(_ours).values(asdict(new)))
            return new

        # Mostly another holds it; finding that out needn't queue behind the writer.
        return self._database.write(attempt) if self._database.read(seems_free) else None

    def renew(self, held: Lease) -> Lease | None:
        def attempt(connection: Connection) -> Lease | None:
            until = self._now(connection) + _LENGTH
            if not connection.execute(_of(held).values(until=until)).rowcount:
                return None
            return replace(held, until=until)

        return self._database.write(attempt)

    def release(self, held: Lease) -> None:
        def attempt(connection: Connection) -> None:
            connection.execute(_of(held).values(until=self._now(connection)))

        self._database.write(attempt)

    def _now(self, connection: Connection) -> Instant:
        return now_of(connection, self._clock)


def _of(held: Lease) -> Update:
    return update(lease).where(_ours, lease.c.term == held.term, lease.c.life == held.life)


def _lease(row: Row[str, str, int, int]) -> Lease:
    owner, life, term, until = row
    return Lease(owner=owner, life=life, term=term, until=until)


def _begin(connection: Connection) -> None:
    """The row that there is from then on, held by nobody: two that begin at once wait for one another."""
    insert = postgresql.insert if connection.dialect.name == "postgresql" else sqlite.insert
    nobody = insert(lease).values(name=NAME, owner="", life="", term=0, until=0)
    connection.execute(nobody.on_conflict_do_nothing(index_elements=[lease.c.name]))
