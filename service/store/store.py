"""Opening the store: the three ports over one database, at this program's schema revision."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from service.ports import StoreRevisionError
from service.store.archive import SqlArchive
from service.store.database import Database, connect
from service.store.engines import is_sqlite, parse
from service.store.files import guard
from service.store.ledger import SqlLedger
from service.store.outbox import SqlOutbox
from service.store.schema import head, upgrade, verify


@dataclass(frozen=True, slots=True)
class Store:
    """The ports of one open store. ``close`` ends its connections; calls after it open new ones."""

    ledger: SqlLedger
    archive: SqlArchive
    outbox: SqlOutbox
    database: Database

    def close(self) -> None:
        self.database.close()


def open_store(url: str, *, migrate: bool) -> Store:
    """The store at ``url``, checked. ``migrate`` first brings an SQLite file (made if absent) to this
    program's revision; PostgreSQL is only ever changed by ``upgrade``: other instances may be running on it.

    ``ValueError``: not a URL we take. ``StoreRevisionError``: another schema, or an unreadable file.
    ``StoreError``: not to be reached just now.
    """
    parsed = parse(url)
    if is_sqlite(parsed):
        _prepare_file(url, Path(str(parsed.database)), migrate=migrate)
    database = connect(parsed)
    try:
        verify(database)
    except BaseException:
        database.close()
        raise
    return Store(SqlLedger(database), SqlArchive(database, head()), SqlOutbox(database), database)


def _prepare_file(url: str, path: Path, *, migrate: bool) -> None:
    guard(path)
    if migrate:
        upgrade(url)
    elif not path.exists():  # or connecting would make an empty one
        raise StoreRevisionError(f"{path} doesn't exist: correct store.url, or `earlybell run` makes it")
