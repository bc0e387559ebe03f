"""What was sent, read back for the message budget: rows by when they were over, notices by their ends."""

from __future__ import annotations

from typing import Any

import msgspec
from sqlalchemy import Row, Select, select, union_all

from service.domain.model import Change, Instant, NoticeState
from service.sent import About, NoticeRow, SentRow
from service.store.database import Database
from service.store.tables import notice, outbox


class _Brief(msgspec.Struct):
    """Of a stored notice only this is decoded: a month may have a hundred thousand of them."""

    kind: str
    level: str
    state: str
    line: str | None = None
    station: str | None = None
    slot: str | None = None
    about: str | None = None
    message: str = ""
    closed_because: str | None = None
    reminded: int = 0
    hears: tuple[str, ...] = ()


_brief = msgspec.json.Decoder(_Brief)
_WHAT = (
    outbox.c.outlet,
    outbox.c.state,
    outbox.c.settled_at,
    outbox.c.created_at,
    outbox.c.change,
    outbox.c.version,
    outbox.c.notice_id,
    outbox.c.data,
)
_CHANGES = {change.value: change for change in Change}
_LIFE = notice.c.id, notice.c.opened_at, notice.c.closed_at, notice.c.data


class SqlSent:
    """``service.sent.Sent`` on either database."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def sent(self, *, since: Instant, until: Instant) -> list[SentRow]:
        wanted: Select[Any] = (
            select(*_WHAT)
            .where(outbox.c.settled_at >= since, outbox.c.settled_at < until)
            .order_by(outbox.c.settled_at, outbox.c.id)
        )
        rows = self._database.read(lambda connection: connection.execute(wanted).all())
        return [_sent_row(row) for row in rows]

    def lives(self, *, since: Instant) -> list[NoticeRow]:
        # Two questions, each with an index of its own; `or` would read the whole table.
        open_ = select(*_LIFE).where(notice.c.closed_at.is_(None))
        closed = select(*_LIFE).where(notice.c.closed_at >= since)
        wanted = union_all(open_, closed)
        rows = self._database.read(lambda connection: connection.execute(wanted).all())
        return [_notice_row(row) for row in rows]


def _sent_row(row: Row[Any]) -> SentRow:
    brief = _brief.decode(row.data)
    return SentRow(
        outlet=row.outlet,
        sent=row.state == "sent",
        at=row.settled_at,
        written_at=row.created_at,
        change=_CHANGES[row.change],
        version=row.version,
        reminded=brief.reminded,
        calls=brief.state == NoticeState.OPEN,
        about=_about(row.notice_id, brief),
        hears=brief.hears,
    )


def _notice_row(row: Row[Any]) -> NoticeRow:
    brief = _brief.decode(row.data)
    return NoticeRow(
        about=_about(row.id, brief),
        opened_at=row.opened_at,
        closed_at=row.closed_at,
        closed_because=brief.closed_because,
    )


def _about(notice_id: str, brief: _Brief) -> About:
    return About(
        notice=notice_id,
        kind=brief.kind,
        line=brief.line,
        station=brief.station,
        slot=brief.slot,
        about=brief.about,
        level=brief.level,
        message=brief.message,
    )
