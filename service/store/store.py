"""Opening the store: the ports over one database, at this program's schema revision."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from service.domain.shards import Shard
from service.ports import StoreRevisionError
from service.store.archive import SqlArchive
from service.store.asks import SqlAsks
from service.store.database import Database, connect
from service.store.engines import is_sqlite, parse
from service.store.files import guard
from service.store.hours import SqlHours
from service.store.keyring import SqlKeyring
from service.store.lease import SqlLeases, fence
from service.store.ledger import SqlLedger
from service.store.outbox import SqlOutbox
from service.store.phones import SqlPhones
from service.store.schema import head, upgrade, verify
from service.store.sent import SqlSent
from service.store.shards import SqlRegistry, schema_of
from service.store.stays import SqlLots
from service.store.words import SqlWords


@dataclass(frozen=True, slots=True)
class Store:
    """The ports of one open store. ``close`` ends its connections; calls after it open new ones. ``common``
    is what all shards share, the same as ``database`` where there is one."""

    ledger: SqlLedger
    archive: SqlArchive
    outbox: SqlOutbox
    keyring: SqlKeyring
    leases: SqlLeases
    asks: SqlAsks
    phones: SqlPhones
    sent: SqlSent
    lots: SqlLots
    hours: SqlHours
    registry: SqlRegistry
    words: SqlWords
    database: Database
    common: Database

    @property
    def can_be_shared(self) -> bool:
        """Whether several shards may be on the database."""
        return self.database.writer.dialect.name == "postgresql"

    def under(self, term: int) -> Store:
        """The same store for the holder of the lease: what it journals, prunes, sends and answers fails with
        ``LeaseLost`` once its term is over."""
        fenced = self.database.fenced(fence(term))
        return replace(
            self,
            ledger=SqlLedger(fenced, term),
            outbox=SqlOutbox(fenced),
            asks=SqlAsks(self.database, fenced),
            hours=SqlHours(self.database, fenced),
            words=SqlWords(fenced),
        )

    def words_of(self, shard: Shard) -> SqlWords:
        """What another shard of the database tells."""
        return SqlWords(self.common, schema_of(shard))

    def close(self) -> None:
        self.database.close()
        self.common.close()


def open_store(url: str, *, migrate: bool, shard: Shard | None = None, connections: int = 5) -> Store:
    """The store at ``url``, checked. ``migrate`` first brings an SQLite file (made if absent) to this
    program's revision; PostgreSQL is only ever changed by ``upgrade``: other instances may be running on it.
    ``shard``: whose store it is, where several share the database; accounts and phones are common to all.
    ``connections``: to PostgreSQL, that stay open.

    ``ValueError``: not a URL we take. ``StoreRevisionError``: another schema, or an unreadable file.
    ``StoreError``: not to be reached just now.
    """
    parsed = parse(url)
    if is_sqlite(parsed):
        _prepare_file(url, Path(str(parsed.database)), migrate=migrate)
    schema = schema_of(shard)
    database = connect(parsed, schema, connections=connections)
    common = database if schema is None else connect(parsed, connections=2)
    try:
        verify(database)
    except BaseException as error:
        database.close()
        if shard is not None and isinstance(error, StoreRevisionError):
            raise StoreRevisionError(f"shard {shard.name}: {error}") from None
        raise
    return Store(
        SqlLedger(database),
        SqlArchive(database, head()),
        SqlOutbox(database),
        SqlKeyring(common),
        SqlLeases(database),
        SqlAsks(database, database),
        SqlPhones(common),
        SqlSent(database),
        SqlLots(database),
        SqlHours(database, database),
        SqlRegistry(common),
        SqlWords(database),
        database,
        common,
    )


def open_all(url: str, *, shard: Shard | None) -> list[Store]:
    """The stores of all shards of a site to be read, that of ``shard`` first; the only one where the floor
    isn't divided. Raises what ``open_store`` raises."""
    own = open_store(url, migrate=False, shard=shard)
    if shard is None:
        return [own]
    others = [each for each in own.registry.shards() if each.name != shard.name]
    return [own, *(open_store(url, migrate=False, shard=each, connections=1) for each in others)]


def _prepare_file(url: str, path: Path, *, migrate: bool) -> None:
    guard(path)
    if migrate:
        upgrade(url)
    elif not path.exists():  # or connecting would make an empty one
        raise StoreRevisionError(f"{path} doesn't exist: correct store.url, or `earlybell run` makes it")
