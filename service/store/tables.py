"""The tables, as both databases have them; the migrations under ``alembic/`` must give exactly these.

Instants are integer microseconds. "Still open" is always a NULL time (``closed_at``, ``settled_at``), because
both planners match ``IS NULL`` with a partial index, which they don't for a bound ``state = ?``.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import (
    BigInteger,
    CheckConstraint,
    Column,
    Dialect,
    Identity,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    SmallInteger,
    Table,
    Text,
    TypeDecorator,
    text,
)
from sqlalchemy.dialects import postgresql

from service.store.codec import escape, unescape

metadata = MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "ix": "ix_%(table_name)s_%(column_0_name)s",
    }
)

Binary = LargeBinary()
Number = BigInteger().with_variant(Integer(), "sqlite")
"""SQLite counts up by itself only in a column declared INTEGER, which holds 64 bits there."""


class Name(TypeDecorator[str]):
    """Text that identifies something: any ``str`` comes back as it was, ordered by code point."""

    impl = Text().with_variant(postgresql.TEXT(collation="C"), "postgresql")
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Dialect) -> str | None:
        return None if value is None else escape(value)

    def process_result_value(self, value: str | None, dialect: Dialect) -> str | None:
        return None if value is None else unescape(value)


def _column(name: str, kind: Any, **options: Any) -> Column[Any]:
    return Column(name, kind, nullable=False, **options)


state = Table(
    "state",
    metadata,
    Column("key", Name, primary_key=True),
    _column("data", Binary),
    # Half a page stays free for new versions of its rows: every commit rewrites up to 200 of them.
    postgresql_with={"fillfactor": 50},
)

journal = Table(
    "journal",
    metadata,
    Column("first", BigInteger, primary_key=True, autoincrement=False),
    _column("count", Integer),
    _column("from_at", BigInteger),
    _column("to_at", BigInteger, index=True),
    _column("data", Binary),
    # Of the lease it was written under; none where there was none (a replay into an empty store).
    Column("term", BigInteger),
)

journal_end = Table(
    "journal_end",
    metadata,
    Column("id", SmallInteger, primary_key=True, autoincrement=False),
    _column("position", BigInteger),
    _column("at", BigInteger),
    # Of the refused messages of the last commit, when it had no journal entries to be known by.
    _column("digest", Binary),
    CheckConstraint("id = 1", name="one_row"),
)

checkpoint = Table(
    "checkpoint",
    metadata,
    Column("position", BigInteger, primary_key=True, autoincrement=False),
    _column("at", BigInteger, index=True),
    _column("data", Binary),
)

notice = Table(
    "notice",
    metadata,
    Column("id", Name, primary_key=True),
    _column("line", Name),
    Column("station", Name),
    Column("slot", Name),
    _column("kind", Name),
    _column("state", Name),
    _column("level", Name),
    _column("opened_at", BigInteger),
    _column("changed_at", BigInteger),
    Column("closed_at", BigInteger),
    _column("version", BigInteger),
    _column("data", Binary),
    Index("ix_notice_opened_at", "opened_at", "id"),
)
_open = notice.c.closed_at.is_(None)
_closed = notice.c.closed_at.is_not(None)
Index("ix_notice_open", notice.c.opened_at, notice.c.id, sqlite_where=_open, postgresql_where=_open)
Index("ix_notice_closed_at", notice.c.closed_at, sqlite_where=_closed, postgresql_where=_closed)

outbox = Table(
    "outbox",
    metadata,
    Column("id", Number, Identity(), primary_key=True),
    _column("key", Name, unique=True),
    _column("outlet", Name),
    _column("conversation", Name),
    _column("change", Name),
    _column("notice_id", Name),
    _column("version", BigInteger),
    _column("data", Binary),
    _column("state", Text),
    _column("attempts", Integer),
    # Of a waiting row: the next attempt; of a sending row: the end of its lease. Nobody takes it before.
    _column("not_before", BigInteger),
    Column("lease_owner", Name),
    Column("error", Text),
    _column("created_at", BigInteger),
    Column("settled_at", BigInteger),
    # The version that the first attempt told which may have arrived.
    Column("tried", BigInteger),
    CheckConstraint("state IN ('waiting', 'sending', 'sent', 'dead', 'replaced')", name="state"),
    CheckConstraint("(settled_at IS NULL) = (state IN ('waiting', 'sending'))", name="settled"),
    sqlite_autoincrement=True,
)
_waits = outbox.c.settled_at.is_(None)
_settled = outbox.c.settled_at.is_not(None)
dead = text("state = 'dead'")
"""Spelt out, never bound: the planners must recognise their partial index."""
Index("ix_outbox_not_before", outbox.c.not_before, outbox.c.id, sqlite_where=_waits, postgresql_where=_waits)
Index(
    "ix_outbox_conversation", outbox.c.conversation, outbox.c.id, sqlite_where=_waits, postgresql_where=_waits
)
Index("ix_outbox_created_at", outbox.c.created_at, outbox.c.id)
Index("ix_outbox_dead", outbox.c.outlet, sqlite_where=dead, postgresql_where=dead)
Index("ix_outbox_settled_at", outbox.c.settled_at, sqlite_where=_settled, postgresql_where=_settled)

# What is remembered of each outlet between two lives of the program; written with each settled delivery.
traffic = Table(
    "traffic",
    metadata,
    Column("outlet", Name, primary_key=True),
    _column("failures", BigInteger),
    _column("trips", BigInteger),
    Column("failing_since", BigInteger),
    _column("open_until", BigInteger),
    _column("paused_until", BigInteger),
    _column("full_at", BigInteger),
    # For people: when it last took something, when it last didn't, and why.
    Column("succeeded_at", BigInteger),
    Column("failed_at", BigInteger),
    Column("error", Text),
)

# Where a person's browser takes messages, and what encrypts them; the endpoint is that person's secret.
phone = Table(
    "phone",
    metadata,
    Column("device", Name, primary_key=True),
    Column("outlet", Name, primary_key=True, index=True),
    _column("person", Name, index=True),
    _column("endpoint", Text),
    _column("p256dh", Binary),
    _column("auth", Binary),
    Column("language", Name),
    _column("created_at", BigInteger),
)

# With which we sign to push services who we are: made once, for browsers bind their subscriptions to it.
signing_key = Table(
    "signing_key",
    metadata,
    Column("id", SmallInteger, primary_key=True, autoincrement=False),
    _column("data", Binary),
    CheckConstraint("id = 1", name="one_row"),
)

# Who is in charge: `term` grows with each life that takes it, and every write of the owner holds on to it.
lease = Table(
    "lease",
    metadata,
    Column("name", Name, primary_key=True),
    _column("owner", Name),
    _column("life", Name),
    _column("term", BigInteger),
    _column("until", BigInteger),
)

# What people do at an instance that stands by, for the one in charge to do and to answer.
ask = Table(
    "ask",
    metadata,
    Column("id", Name, primary_key=True),
    _column("data", Binary),
    _column("expires_at", BigInteger),
    Column("answer", Binary),
)

refused = Table(
    "refused",
    metadata,
    Column("id", Number, Identity(), primary_key=True),
    _column("digest", Binary, unique=True),
    _column("topic", Text),
    _column("reason", Text),
    _column("payload", Binary),
    _column("times", BigInteger),
    _column("first_seen", BigInteger),
    _column("last_seen", BigInteger),
    Index("ix_refused_last_seen", "last_seen", "id"),
    sqlite_autoincrement=True,
)

# One supply's time in one slot: which lot fed which panels, by the station's total.
stay = Table(
    "stay",
    metadata,
    Column("id", Name, primary_key=True),
    _column("line", Name),
    _column("station", Name),
    _column("slot", Name),
    Column("kind", Name),
    Column("part", Name),
    Column("lot", Name),
    Column("supply", Name),
    # In order of this one, which is always known: when it began, or when it was first written down.
    _column("since", BigInteger),
    # NULL: it feeds.
    Column("to_at", BigInteger),
    # The panels that it may have fed. NULL: none yet; no last one is known.
    Column("first_panel", BigInteger),
    Column("last_panel", BigInteger),
    _column("data", Binary),
    Index("ix_stay_since", "since", "id"),
    Index("ix_stay_slot", "line", "station", "slot", "since", "id"),
    Index("ix_stay_panels", "line", "station", "last_panel", "first_panel"),
)
for _name in ("lot", "part", "supply"):
    _said = stay.c[_name].is_not(None)
    Index(
        f"ix_stay_{_name}",
        stay.c[_name],
        stay.c.since,
        stay.c.id,
        sqlite_where=_said,
        postgresql_where=_said,
    )
_over = stay.c.to_at.is_not(None)
Index("ix_stay_to_at", stay.c.to_at, sqlite_where=_over, postgresql_where=_over)

# A stretch of a station's panels with one order and one recipe.
run = Table(
    "run",
    metadata,
    Column("id", Name, primary_key=True),
    _column("line", Name),
    _column("station", Name),
    Column("order", Name),
    _column("first_panel", BigInteger),
    # NULL: it goes on.
    Column("last_panel", BigInteger),
    _column("at", BigInteger),
    _column("data", Binary),
    Index("ix_run_station", "line", "station", "first_panel"),
)
_named = run.c.order.is_not(None)
Index("ix_run_order", run.c.order, run.c.at, sqlite_where=_named, postgresql_where=_named)

# The figures of each line's hours, kept for ever, and up to when all of them are here.
hour = Table(
    "hour",
    metadata,
    Column("begin", BigInteger, primary_key=True, autoincrement=False),
    Column("line", Name, primary_key=True),
    _column("data", Binary),
)
rolled = Table("rolled", metadata, Column("name", Name, primary_key=True), _column("until", BigInteger))

# How the floor is divided among instances; only the one of the default schema counts.
shard = Table(
    "shard",
    metadata,
    Column("name", Name, primary_key=True),
    _column("data", Binary),
    _column("registered_at", BigInteger),
)

# What others learn of what happened at this shard's lines, in the order of its commits.
word = Table(
    "word",
    metadata,
    Column("id", Number, Identity(), primary_key=True),
    _column("at", BigInteger, index=True),
    _column("data", Binary),
    sqlite_autoincrement=True,
)
