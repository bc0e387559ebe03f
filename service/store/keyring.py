"""Accounts, tokens, sessions, links and deeds on either database. Finds by hash; never sees a secret."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from sqlalchemy import Connection, Table, and_, delete, exists, or_, select, update
from sqlalchemy.exc import IntegrityError

from service.domain.access import OLD, SIGNED_IN, Account, Deed, Link, Role, Session, Token
from service.domain.model import Instant
from service.keyring import DeedRow
from service.store.database import Database
from service.store.keyring_tables import account, deed, link, session, token

DEEDS_KEPT = 100_000
_PRUNED_EVERY = 1000


class SqlKeyring:
    """``keyring.Keyring`` on either database."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def is_used(self) -> bool:
        wanted = select(or_(exists().select_from(account), exists().select_from(token)))
        return bool(self._database.read(lambda connection: connection.execute(wanted).scalar_one()))

    def accounts(self) -> Sequence[Account]:
        return [_account(row) for row in self._rows(select(account).order_by(account.c.key))]

    def account(self, key: str) -> Account | None:
        found = self._rows(select(account).where(account.c.key == key))
        return _account(found[0]) if found else None

    def save_account(self, account_: Account) -> None:
        row = asdict(account_)

        def save(connection: Connection) -> None:
            connection.execute(delete(session).where(session.c.account == row["key"]))
            _put(connection, account, "key", row)

        self._database.write(save)

    def tokens(self) -> Sequence[Token]:
        return [_token(row) for row in self._rows(select(token).order_by(token.c.name))]

    def token(self, digest: bytes) -> Token | None:
        found = self._rows(select(token).where(token.c.digest == digest))
        return _token(found[0]) if found else None

    def add_token(self, token_: Token) -> bool:
        row = asdict(token_)

        def add(connection: Connection) -> bool:
            there = connection.execute(
                select(token.c.digest, token.c.ended_at).where(token.c.name == row["name"])
            ).one_or_none()
            if there is None:
                connection.execute(token.insert().values(row))
                return True
            if there.ended_at is None:
                return bool(there.digest == row["digest"])  # an answer that was lost
            ended = update(token).where(token.c.name == row["name"], token.c.ended_at.is_not(None))
            return connection.execute(ended.values(row)).rowcount == 1

        try:
            return self._database.write(add)
        except IntegrityError:  # another process was first with this name
            return False

    def end_token(self, name: str, *, at: Instant) -> bool:
        alive = update(token).where(token.c.name == name, token.c.ended_at.is_(None)).values(ended_at=at)
        return self._database.write(lambda connection: connection.execute(alive).rowcount == 1)

    def rotate_token(self, token_: Token, *, until: Instant) -> bool:
        row, former = asdict(token_), token_.name + OLD

        def rotate(connection: Connection) -> bool:
            alive = token.c.name == row["name"], token.c.ended_at.is_(None)
            there = connection.execute(
                select(token.c.digest, token.c.expires_at).where(*alive).with_for_update()
            ).one_or_none()
            if there is None:
                return False
            if there.digest == row["digest"]:  # an answer that was lost
                return True
            ends = until if there.expires_at is None else min(until, there.expires_at)
            connection.execute(delete(token).where(token.c.name == former))
            connection.execute(update(token).where(*alive).values(name=former, expires_at=ends))
            connection.execute(token.insert().values(row))
            return True

        return self._database.write(rotate)

    def open_session(self, session_: Session) -> None:
        row = {name: value for name, value in asdict(session_).items() if name in session.c}
        self._database.write(lambda connection: _put(connection, session, "digest", row))

    def session(self, digest: bytes) -> Session | None:
        wanted = (
            select(session, account.c.name, account.c.role)
            .join(account, account.c.key == session.c.account)
            .where(session.c.digest == digest, account.c.ended_at.is_(None))
        )
        found = self._rows(wanted)
        return _session(found[0]) if found else None

    def sessions(self) -> Sequence[Session]:
        signed = and_(
            deed.c.at == session.c.created_at, deed.c.did == SIGNED_IN, deed.c.who == account.c.name
        )
        wanted = (
            select(session, account.c.name, account.c.role, deed.c.address)
            .join(account, account.c.key == session.c.account)
            .outerjoin(deed, signed)
            .where(account.c.ended_at.is_(None))
            .order_by(session.c.used_at.desc(), session.c.digest)
        )
        rows = {row["digest"]: _session(row) for row in self._rows(wanted)}
        return list(rows.values())

    def end_session(self, digest: bytes) -> None:
        self._database.write(
            lambda connection: connection.execute(delete(session).where(session.c.digest == digest))
        )

    def touch(self, digest: bytes, *, at: Instant) -> None:
        def used(connection: Connection) -> None:
            for table in (token, session):
                connection.execute(update(table).where(table.c.digest == digest).values(used_at=at))

        self._database.write(used)

    def add_link(self, link_: Link) -> None:
        row = asdict(link_)
        row["notice_id"] = row.pop("notice")
        self._database.write(lambda connection: _put(connection, link, "digest", row))

    def link(self, digest: bytes) -> Link | None:
        found = self._rows(select(link).where(link.c.digest == digest))
        return _link(found[0]) if found else None

    def end_links(self, notice: str, *, at: Instant) -> int:
        alive = update(link).where(link.c.notice_id == notice, link.c.ended_at.is_(None)).values(ended_at=at)
        return self._database.write(lambda connection: connection.execute(alive).rowcount)

    def note(self, deed_: Deed) -> None:
        def keep(connection: Connection) -> None:
            number = connection.execute(deed.insert().values(asdict(deed_)).returning(deed.c.id)).scalar_one()
            if number % _PRUNED_EVERY == 0:
                connection.execute(delete(deed).where(deed.c.id <= number - DEEDS_KEPT))

        self._database.write(keep)

    def deeds(self, *, limit: int, after: int | None) -> Sequence[DeedRow]:
        wanted = select(deed).order_by(deed.c.id.desc()).limit(limit)
        if after is not None:
            wanted = wanted.where(deed.c.id < after)
        return [_deed(row) for row in self._rows(wanted)]

    def forget(self, *, before: Instant) -> int:
        old = (deed, deed.c.at), (session, session.c.used_at), (link, link.c.expires_at)
        return sum(self._forget(table, column < before) for table, column in old)

    def _forget(self, table: Table, condition: Any) -> int:
        return self._database.write(
            lambda connection: connection.execute(delete(table).where(condition)).rowcount
        )

    def _rows(self, wanted: Any) -> list[dict[str, Any]]:
        return self._database.read(
            lambda connection: [dict(row) for row in connection.execute(wanted).mappings()]
        )


def _put(connection: Connection, table: Table, key: str, row: dict[str, Any]) -> None:
    """Make or replace the row of this key; safe to repeat."""
    connection.execute(delete(table).where(table.c[key] == row[key]))
    connection.execute(table.insert().values(row))


def _account(row: dict[str, Any]) -> Account:
    return Account(**{**row, "role": Role(row["role"])})


def _token(row: dict[str, Any]) -> Token:
    return Token(**{**row, "role": Role(row["role"])})


def _session(row: dict[str, Any]) -> Session:
    return Session(**{**row, "role": Role(row["role"])})


def _link(row: dict[str, Any]) -> Link:
    return Link(notice=row["notice_id"], **{name: row[name] for name in row if name != "notice_id"})


def _deed(row: dict[str, Any]) -> DeedRow:
    return DeedRow(id=row["id"], deed=Deed(**{name: row[name] for name in row if name != "id"}))
