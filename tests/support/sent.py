"""What was sent in an invented plant, in memory: the reading side of the message budget."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from service.domain.budget import HOUR
from service.domain.floods import MINUTE
from service.domain.model import SECOND, Change, Instant
from service.sent import About, NoticeRow, SentRow

HEARING = {"chat": ["Mira", "Tomas"], "phone": ["Mira"], "office": ["office"]}


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


def busy_day(now: Instant) -> MemorySent:
    """A day with quiet hours, a flood two hours ago, something that chatters and something old."""
    slots = ("F07", "F08", "F09", "F11", "T1", "T2")
    rows = [
        row(
            now - 22 * HOUR + number * 17 * MINUTE,
            notice=f"n{number}",
            slot=slots[number % 6],
            level=("early", "early", "early", "urgent", "early", "empty")[number % 6],
        )
        for number in range(60)
    ]
    rows += [
        row(now - 2 * HOUR + number * 40 * SECOND, "phone", notice=f"f{number}", slot="F12", level="urgent")
        for number in range(14)
    ]
    rows += [
        row(now - HOUR + number * 20 * SECOND, notice="c", slot="T1", version=number) for number in range(3)
    ]
    ended = lived("n5", now - 3 * HOUR, now - 3 * HOUR + 20 * SECOND, because="better")
    return MemorySent(rows, [lived("n-L3-P2-T2", now - 30 * HOUR, slot="T2"), ended])
