"""Messages that are no notices: a test of an outlet, the daily sign of life, and what people are told at a
change of shifts and once a week. Nobody needs to do anything.

They travel as notices that are closed already: no link of theirs opens one, nothing is counted as a call, and
one that can't be delivered within a day is given up.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

from service.domain.model import Instant, Notice, NoticeState, from_datetime, to_datetime, to_rfc3339
from service.domain.said import Said, put

TEST = "test"
AWAKE = "awake"
HANDOVER = "handover"
WEEK = "week"
SHEETS = frozenset({HANDOVER, WEEK})
"""Those that say more than a sentence."""
SAYINGS = frozenset({TEST, AWAKE}) | SHEETS
_SECTIONS = "sections"
_ROWS = "rows"


def sheet(headline: Said, sections: Sequence[tuple[Said, Sequence[Said]]]) -> Said:
    """A message of several sections. Whoever knows none of them says its headline."""
    told = tuple(_with(title, _ROWS, tuple(rows)) for title, rows in sections)
    return _with(headline, _SECTIONS, told)


def sections_of(said: Said | None) -> list[tuple[Said, tuple[Said, ...]]]:
    """The titles and rows of a sheet; of any other sentence none."""
    return [] if said is None else [(each, _many(each, _ROWS)) for each in _many(said, _SECTIONS)]


def _with(said: Said, name: str, more: tuple[Said, ...]) -> Said:
    return Said(said.text, {**said.values, name: more}, many=said.many)


def _many(said: Said, name: str) -> tuple[Said, ...]:
    value = said.values.get(name)
    return value if isinstance(value, tuple) else ()


def saying(kind: str, name: str, said: Said, at: Instant, *, site: str, line: str | None = None) -> Notice:
    """``name`` tells it apart from all others, as an id does."""
    moment = to_rfc3339(at)
    return Notice(
        id=name,
        kind=kind,
        line=line,
        station=None,
        slot=None,
        part=None,
        supply_kind=None,
        boundary_only=False,
        level="early",
        state=NoticeState.CLOSED,
        opened_at=moment,
        changed_at=moment,
        closed_at=moment,
        panels_to_empty=None,
        empty_at=None,
        message=put(said, UTC),
        said=said,
        about=site,
    )


def day_of(at: Instant, zone: ZoneInfo) -> str:
    """The day on the plant's clocks, as ``2026-03-29``."""
    return to_datetime(at).astimezone(zone).date().isoformat()


def moment_on(day: str, wall: str, zone: ZoneInfo) -> Instant:
    """When the plant's clocks show ``wall`` (such as ``07:00``) on that day: the first time where they show
    it twice, and where they leap over it as long after the leap as it would have been."""
    local = datetime.combine(datetime.fromisoformat(day), time.fromisoformat(wall), tzinfo=zone)
    return from_datetime(local)


def day_before(at: Instant, zone: ZoneInfo) -> tuple[Instant, Instant]:
    """From when to before when the day lasted that ended before the one of ``at``: 23 to 25 hours."""
    today = datetime.fromisoformat(day_of(at, zone))
    yesterday = (today - timedelta(days=1)).date().isoformat()
    return moment_on(yesterday, "00:00", zone), moment_on(today.date().isoformat(), "00:00", zone)
