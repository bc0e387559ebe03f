"""How each database is opened: the URL, and the settings that make its writes durable and its waits bounded.

SQLite: write-ahead log, full sync, explicit ``BEGIN``. PostgreSQL: keepalives, timeouts, a checked pool.
"""

from __future__ import annotations

import sqlite3
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, NullPool, create_engine, event, make_url
from sqlalchemy.exc import ArgumentError

from service.ports import StoreError

_FORMS = "use sqlite:///earlybell.db, sqlite:////full/path.db or postgresql+psycopg://user@host/name"
_BUSY_SECONDS = 5.0
_POOL_SECONDS = 5.0

# Checkpoints copy each changed page once, so rarer ones (at 16 MB of log) write less: measured 1.8 instead of
# 2.05 ms a commit. The log shrinks to 64 MB after a long reader held it up.
_WRITER = (
    "journal_mode=WAL",
    "synchronous=FULL",
    "foreign_keys=ON",
    "cache_size=-65536",
    "wal_autocheckpoint=4000",
    "journal_size_limit=67108864",
)
_READER = ("query_only=ON", "cache_size=-8192")
# Rebuilding a table drops it, and with foreign keys on that deletes the rows which point to it.
_MIGRATOR = ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=OFF")

# A dead peer is noticed within about 11 s; no statement or lock is waited for longer than a writer can bear.
_LIVELY = {
    "application_name": "earlybell",
    "client_encoding": "utf8",
    "connect_timeout": 3,
    "keepalives": 1,
    "keepalives_idle": 5,
    "keepalives_interval": 2,
    "keepalives_count": 3,
    "tcp_user_timeout": 10_000,
}
_BRISK = (
    "-c statement_timeout=5000 -c lock_timeout=3000 -c idle_in_transaction_session_timeout=8000"
    " -c synchronous_commit=on"
)
# A migration may take long, but the others mustn't wait long behind a lock that it waits for.
_PATIENT = "-c statement_timeout=600000 -c lock_timeout=4000 -c synchronous_commit=on"


def parse(text: str) -> URL:
    """The store's URL. ``ValueError`` says what is wrong and never repeats it: it may hold a password."""
    try:
        url = make_url(text)
    except ArgumentError:
        raise ValueError(f"store.url isn't a URL; {_FORMS}") from None
    if url.drivername in ("postgresql", "postgresql+psycopg"):
        return url.set(drivername="postgresql+psycopg")
    if url.drivername != "sqlite":
        raise ValueError(f"store.url begins with {url.drivername}://; {_FORMS}")
    if url.database in (None, "", ":memory:") or str(url.database).startswith("file:"):
        raise ValueError(f"store.url names no file; {_FORMS}")
    return url


def is_sqlite(url: URL) -> bool:
    return url.get_backend_name() == "sqlite"


def file_of(text: str) -> Path | None:
    """SQLite's, of the store at this URL; ``None``: the store is no file."""
    url = parse(text)
    return Path(str(url.database)) if is_sqlite(url) else None


def sqlite_writer(url: URL) -> Engine:
    return _sqlite(url, _WRITER, "BEGIN IMMEDIATE", pool_size=1, max_overflow=0, pool_timeout=_POOL_SECONDS)


def sqlite_reader(url: URL) -> Engine:
    return _sqlite(url, _READER, "BEGIN", pool_size=8, max_overflow=24, pool_timeout=_POOL_SECONDS)


def postgresql(url: URL, schema: str | None = None, *, connections: int = 5) -> Engine:
    """``schema``: of PostgreSQL, where the store is; ``None``: the one that there is anyway. ``connections``
    stay open, three times as many may be at once."""
    pool = {"pool_size": connections, "max_overflow": 2 * connections, "pool_timeout": _POOL_SECONDS}
    return _postgresql(url, _BRISK, schema, pool_pre_ping=True, pool_recycle=1800, **pool)


def migrator(url: URL, schema: str | None = None) -> Engine:
    """An engine for changing the schema; it keeps no connection open."""
    if is_sqlite(url):
        return _sqlite(url, _MIGRATOR, "BEGIN IMMEDIATE", poolclass=NullPool)
    return _postgresql(url, _PATIENT, schema, poolclass=NullPool)


def _sqlite(url: URL, pragmas: tuple[str, ...], begin: str, **pool: Any) -> Engine:
    arguments = {} if "timeout" in url.query else {"timeout": _BUSY_SECONDS}
    engine = create_engine(url, connect_args=arguments, **pool)

    @event.listens_for(engine, "connect")
    def prepare(connection: sqlite3.Connection, _record: object) -> None:
        connection.isolation_level = None  # or sqlite3 would begin on its own, too late and deferred
        for pragma in pragmas:
            answer = connection.execute(f"PRAGMA {pragma}").fetchone()
            if pragma == "journal_mode=WAL" and answer != ("wal",):
                raise StoreError(f"{url.database}: no write-ahead log on this file system; use a local disk")

    @event.listens_for(engine, "begin")
    def start(connection: Connection) -> None:
        connection.exec_driver_sql(begin)

    return engine


def _postgresql(url: URL, options: str, schema: str | None, **pool: Any) -> Engine:
    wanted = {**_LIVELY, "options": options}
    arguments = {name: value for name, value in wanted.items() if name not in url.query}
    if schema is not None:
        given = arguments.get("options", url.query.get("options", ""))
        arguments["options"] = f"{given} -c search_path={schema}"
    return create_engine(url, connect_args=arguments, **pool)
