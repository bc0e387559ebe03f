"""The tables of who may do what; the rules of ``tables`` hold here too. Secrets are kept as hashes only."""

from __future__ import annotations

from typing import Any

from sqlalchemy import BigInteger, Boolean, Column, Identity, SmallInteger, Table, Text

from service.store.tables import Binary, Name, Number, metadata


def _column(name: str, kind: Any, **options: Any) -> Column[Any]:
    return Column(name, kind, nullable=False, **options)


account = Table(
    "account",
    metadata,
    Column("key", Name, primary_key=True),
    _column("name", Name),
    _column("role", Text),
    _column("password", Text),
    _column("created_at", BigInteger),
    Column("ended_at", BigInteger),
)

token = Table(
    "token",
    metadata,
    Column("name", Name, primary_key=True),
    _column("digest", Binary, unique=True),
    _column("role", Text),
    _column("others", Boolean),
    _column("created_at", BigInteger),
    Column("expires_at", BigInteger),
    Column("used_at", BigInteger),
    Column("ended_at", BigInteger),
)

session = Table(
    "session",
    metadata,
    Column("digest", Binary, primary_key=True),
    _column("account", Name, index=True),
    _column("created_at", BigInteger),
    _column("used_at", BigInteger, index=True),
)

link = Table(
    "link",
    metadata,
    Column("digest", Binary, primary_key=True),
    _column("notice_id", Name, index=True),
    _column("outlet", Name),
    _column("created_at", BigInteger),
    _column("expires_at", BigInteger, index=True),
    Column("ended_at", BigInteger),
)

deed = Table(
    "deed",
    metadata,
    Column("id", Number, Identity(), primary_key=True),
    _column("at", BigInteger, index=True),
    _column("who", Name),
    _column("kind", Text),
    _column("did", Name),
    Column("by", Name),
    Column("answer", SmallInteger),
    Column("address", Name),
    sqlite_autoincrement=True,
)
