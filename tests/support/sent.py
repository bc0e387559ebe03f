"""What was sent in an invented plant, in memory: the reading side of the message budget."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from service.domain.model import Change, Instant
from service.sent import About, NoticeRow, SentRow


@dataclass(slots=True)
class MemorySent:
    rows: list[SentRow] = field(default_factory=list)
    notices: list[NoticeRow] = field(default_factory=list)
    broken: Exception | None = None

    def sent(self, *, since: Instant, until: Instant) -> Sequence[SentRow]:
        if self.broken is not None:
            raise self.broken
        return sorted((row for row in self.rows if since <= row.at < until), key=lambda row: row.at)

    def lives(self, *, since: Instant) -> Sequence[NoticeRow]:
        return [each for each in self.notices if each.closed_at is None or each.closed_at >= since]


def about(notice: str = "n1", *, slot: str | None = "F07", level: str = "early", **more: Any) -> About:
    values = {"kind": "supply", "line": "L3", "station": "P1", "about": None, "message": "", **more}
    return About(notice=notice, slot=slot, level=level, **values)


def row(
    at: Instant,
    outlet: str = "chat",
    *,
    notice: str = "n1",
    slot: str | None = "F07",
    level: str = "early",
    **more: Any,
) -> SentRow:
    values = {
        "sent": True,
        "written_at": at,
        "change": Change.OPENED,
        "version": 1,
        "reminded": 0,
        "calls": True,
    }
    return SentRow(outlet=outlet, at=at, about=about(notice, slot=slot, level=level), **{**values, **more})


def lived(
    notice: str,
    since: Instant,
    until: Instant | None = None,
    *,
    because: str | None = None,
    slot: str | None = "F07",
) -> NoticeRow:
    return NoticeRow(about=about(notice, slot=slot), opened_at=since, closed_at=until, closed_because=because)
