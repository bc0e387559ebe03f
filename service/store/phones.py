"""Phones that hear an outlet, and the key that signs to push services, on either database."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from typing import Any

from sqlalchemy import ColumnElement, Connection, Table, delete, func, select
from sqlalchemy.dialects import postgresql, sqlite

from service.phones import MOST_OF_OUTLET, MOST_OF_PERSON, Full, Phone
from service.store.database import Database
from service.store.tables import phone, signing_key


class SqlPhones:
    """``phones.Phones`` on either database."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def of(self, outlet: str) -> Sequence[Phone]:
        return self._rows(phone.c.outlet == outlet)

    def device(self, device: str) -> Sequence[Phone]:
        return self._rows(phone.c.device == device)

    def of_person(self, person: str) -> Sequence[Phone]:
        return self._rows(phone.c.person == person)

    def counts(self) -> Mapping[str, int]:
        wanted = select(phone.c.outlet, func.count()).group_by(phone.c.outlet)
        return self._database.read(lambda connection: {row[0]: row[1] for row in connection.execute(wanted)})

    def add(self, phone_: Phone) -> None:
        def put(connection: Connection) -> None:
            _make_room(connection, phone_)
            row = asdict(phone_)
            insert = _insert(connection, phone).values(row)
            keys = [phone.c.device, phone.c.outlet]
            connection.execute(insert.on_conflict_do_update(index_elements=keys, set_=row))

        self._database.write(put)

    def end(self, device: str, outlet: str | None = None) -> int:
        gone = delete(phone).where(phone.c.device == device)
        if outlet is not None:
            gone = gone.where(phone.c.outlet == outlet)
        return self._database.write(lambda connection: connection.execute(gone).rowcount)

    def signing_key(self, make: Callable[[], bytes]) -> bytes:
        kept = self._database.read(_signing_key)
        if kept is not None:
            return kept
        made = make()

        def put(connection: Connection) -> bytes:
            row = _insert(connection, signing_key).values(id=1, data=made)
            connection.execute(row.on_conflict_do_nothing(index_elements=[signing_key.c.id]))
            return _signing_key(connection) or made

        return self._database.write(put)

    def _rows(self, condition: ColumnElement[bool]) -> list[Phone]:
        wanted = select(phone).where(condition).order_by(phone.c.device, phone.c.outlet)
        return self._database.read(
            lambda connection: [Phone(**row) for row in connection.execute(wanted).mappings()]
        )


def _make_room(connection: Connection, new: Phone) -> None:
    """Without the row that it replaces. Two at once may find room for one: a phone too many hurts nobody."""
    same = (phone.c.device == new.device) & (phone.c.outlet == new.outlet)
    connection.execute(delete(phone).where(same))
    people = connection.execute(select(phone.c.person).where(phone.c.outlet == new.outlet)).scalars().all()
    if len(people) >= MOST_OF_OUTLET:
        raise Full(f"{MOST_OF_OUTLET} phones hear {new.outlet}, more it can't have")
    if people.count(new.person) >= MOST_OF_PERSON:
        raise Full(f"{new.person} hears {new.outlet} on {MOST_OF_PERSON} phones: end one of them first")


def _signing_key(connection: Connection) -> bytes | None:
    return connection.execute(select(signing_key.c.data)).scalar_one_or_none()


def _insert(connection: Connection, table: Table) -> Any:
    insert = postgresql.insert if connection.dialect.name == "postgresql" else sqlite.insert
    return insert(table)
