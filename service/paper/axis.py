"""Time from left to right, in the hours of the plant's clocks: days of 23 and 25 hours have as many."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

from markupsafe import Markup

from service.language import Language
from service.paper.svg import draw, number, words

_STEPS = (5, 10, 15, 30, 60, 120, 180, 240, 360, 720, 1440)
"""Minutes between two marks, as the clock's face is divided."""
_ROOM = 56.0
_MOST_MARKS = 400


@dataclass(frozen=True, slots=True)
class Mark:
    """``day``: the first mark of one; ``shifted``: the clocks were put on or back since the mark before."""

    x: float
    local: datetime
    day: bool
    shifted: bool


@dataclass(frozen=True, slots=True)
class TimeAxis:
    """From ``since`` at ``left`` to ``until`` at ``right``."""

    since: datetime
    until: datetime
    zone: tzinfo
    left: float
    right: float

    @classmethod
    def of(cls, since: str, until: str, zone: tzinfo, left: float, right: float) -> TimeAxis:
        return cls(datetime.fromisoformat(since), datetime.fromisoformat(until), zone, left, right)

    def x(self, moment: str) -> float:
        """Where a moment is; one outside is at the edge."""
        return self._x(datetime.fromisoformat(moment))

    def _x(self, moment: datetime) -> float:
        whole = (self.until - self.since).total_seconds()
        share = (moment - self.since).total_seconds() / whole if whole > 0 else 0.0
        return self.left + min(max(share, 0.0), 1.0) * (self.right - self.left)

    def marks(self) -> list[Mark]:
        return list(self._marks(self._step()))

    def _step(self) -> int:
        minutes = (self.until - self.since).total_seconds() / 60
        most = max(1.0, (self.right - self.left) / _ROOM)
        return next((step for step in _STEPS if minutes / step <= most), _STEPS[-1])

    def _marks(self, step: int) -> Iterator[Mark]:
        """Every moment at which the clocks show a multiple of ``step``; put back, one twice."""
        each = timedelta(minutes=min(step, 15))
        seconds = each.total_seconds()
        moment = datetime.fromtimestamp(-(-self.since.timestamp() // seconds) * seconds, UTC)
        last = self.since.astimezone(self.zone)
        day, offset, found = None, last.utcoffset(), 0
        while moment <= self.until and found < _MOST_MARKS:
            local = moment.astimezone(self.zone)
            if (local.hour * 60 + local.minute) % step == 0:
                yield Mark(self._x(moment), local, local.date() != day, local.utcoffset() != offset)
                day, offset, found = local.date(), local.utcoffset(), found + 1
            moment += each

    def drawn(self, top: float, bottom: float, language: Language) -> Markup:
        """The marks down from ``top``; their clock and, where it is another, their day below ``bottom``."""
        marks, parts, free = self.marks(), [], self.left - _ROOM
        lines = "".join(f"M{number(each.x)} {number(top)}V{number(bottom)}" for each in marks)
        parts.append(draw("path", "grid", d=lines))
        for each in marks:
            if each.x - free < _ROOM * 0.7:
                continue
            free = each.x
            clock = language.clock(each.local) + (f" {each.local:%Z}" if each.shifted else "")
            parts.append(words(clock, each.x, bottom + 15, "soft", text_anchor="middle"))
            if each.day:
                day = language.day(each.local)
                parts.append(
                    words(day, max(each.x, self.left + 18), bottom + 30, "soft", text_anchor="middle")
                )
        return Markup("").join(parts)
