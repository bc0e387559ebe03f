"""What people asked of an instance that stands by, as rows that the one in charge answers and forgets."""

from __future__ import annotations

from collections.abc import Sequence

from sqlalchemy import ColumnElement, Connection, delete, select, update
from sqlalchemy.dialects import postgresql, sqlite

from service.domain.model import SECOND
from service.lease import Answered, Asked
from service.store.database import Database
from service.store.lease import now_of
from service.store.tables import ask

_KEPT = 60 * SECOND
_MOST = 200


def answer_all(connection: Connection, answers: Sequence[Answered]) -> None:
    """In the transaction of what was done; a first answer stays."""
    for each in answers:
        unanswered = update(ask).where(ask.c.id == each.id, ask.c.answer.is_(None))
        connection.execute(unanswered.values(answer=each.answer))


class SqlAsks:
    """``lease.Asks``: ``anyone`` writes what is asked, ``owner`` (which looks at the lease) the answers."""

    def __init__(self, anyone: Database, owner: Database) -> None:
        self._anyone = anyone
        self._owner = owner

    def ask(self, asked: Asked, *, seconds: float) -> None:
        def put(connection: Connection) -> None:
            insert = postgresql.insert if connection.dialect.name == "postgresql" else sqlite.insert
            expires = now_of(connection) + round(seconds * SECOND)
            row = insert(ask).values(id=asked.id, data=asked.data, expires_at=expires)
            connection.execute(row.on_conflict_do_nothing(index_elements=[ask.c.id]))

        self._anyone.write(put)

    def answer(self, ask_id: str) -> bytes | None:
        found = select(ask.c.answer).where(ask.c.id == ask_id)
        return self._anyone.read(lambda connection: connection.execute(found).scalar_one_or_none())

    def waiting(self) -> Sequence[Asked]:
        def look(connection: Connection) -> Sequence[Asked]:
            alive = ask.c.expires_at > now_of(connection)
            found = select(ask.c.id, ask.c.data).where(ask.c.answer.is_(None), alive)
            rows = connection.execute(found.order_by(ask.c.expires_at, ask.c.id).limit(_MOST))
            return [Asked(row.id, row.data) for row in rows]

        return self._owner.read(look)

    def settle(self, answered: Answered) -> None:
        self._owner.write(lambda connection: answer_all(connection, [answered]))

    def forget(self) -> int:
        def over(connection: Connection) -> ColumnElement[bool]:
            return ask.c.expires_at < now_of(connection) - _KEPT

        some = self._owner.read(lambda c: c.execute(select(ask.c.id).where(over(c)).limit(1)).first())
        if some is None:
            return 0
        return self._owner.write(lambda c: c.execute(delete(ask).where(over(c))).rowcount)
