"""When a digest is due on a site's clocks, what time it is about, and what that is compared with.

Pure: shifts come from the settings and are laid out by ``calendar``, so that a shift over a changed hour is
an hour shorter or longer, one that begins in the hour that is left out begins with the next, and a time
that comes twice counts once.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, time, timedelta
from fnmatch import fnmatchcase
from zoneinfo import ZoneInfo

from service.domain.calendar import fits, moment_of, spans_of
from service.domain.model import SECOND, Instant, to_datetime
from service.domain.policy import DAYS, Day, Policy, Shift

COMPARED = 5
"""Shifts before that one is compared with."""
LOOKED_BACK: Instant = 42 * 24 * 3600 * SECOND
_WEEK = timedelta(days=7)


@dataclass(frozen=True, slots=True, kw_only=True)
class Turn:
    """A shift of some lines that ends at ``until``."""

    since: Instant
    until: Instant
    lines: tuple[str, ...]
    shifts: tuple[Shift, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Week:
    """Seven days from midnight to midnight on the site's clocks, told of at ``due``."""

    due: Instant
    since: Instant
    until: Instant


def turns(policy: Policy, lines: Iterable[str], after: Instant, until: Instant) -> list[Turn]:
    """The shifts of these lines that end after ``after`` and not after ``until``, in order. Lines whose
    shift begins and ends together have one turn."""
    found: dict[tuple[Instant, Instant], tuple[set[str], list[Shift]]] = {}
    names = sorted(lines)
    for shift in policy.shifts:
        fitting = {line for line in names if fits(shift, line)}
        for span in spans_of(policy, shift, after, until) if fitting else ():
            mine, shifts = found.setdefault(span, (set(), []))
            mine |= fitting
            shifts.append(shift)
    order = sorted(found.items(), key=lambda item: (item[0][1], item[0][0]))
    return [
        Turn(since=since, until=end, lines=tuple(sorted(mine)), shifts=tuple(shifts))
        for (since, end), (mine, shifts) in order
    ]


def before(policy: Policy, turn: Turn) -> list[tuple[Instant, Instant]]:
    """The last shifts of the same times before this one, the newest first."""
    earlier = {
        span
        for shift in turn.shifts
        for span in spans_of(policy, shift, turn.since - LOOKED_BACK, turn.since)
    }
    return sorted(earlier, reverse=True)[:COMPARED]


def weeks(zone: ZoneInfo, day: Day, wall: str, after: Instant, until: Instant) -> list[Week]:
    """The weeks that are told of on this day at this time, after ``after`` and not after ``until``."""
    first, last = (to_datetime(at).astimezone(zone).date() for at in (after, until))
    some = (first + timedelta(days=number) for number in range((last - first).days + 1))
    told = (_week(zone, each, time.fromisoformat(wall)) for each in some if DAYS[each.weekday()] == day)
    return [each for each in told if after < each.due <= until]


def week_before(zone: ZoneInfo, week: Week) -> tuple[Instant, Instant]:
    first = to_datetime(week.since).astimezone(zone).date()
    return _midnight(zone, first - _WEEK), week.since


def _week(zone: ZoneInfo, day: date, wall: time) -> Week:
    return Week(
        due=moment_of(zone, day, wall), since=_midnight(zone, day - _WEEK), until=_midnight(zone, day)
    )


def _midnight(zone: ZoneInfo, day: date) -> Instant:
    return moment_of(zone, day, time())


def chosen(lines: Iterable[str], patterns: Sequence[str]) -> list[str]:
    """Those that one of the patterns fits, in order."""
    return sorted(line for line in lines if any(fnmatchcase(line, each) for each in patterns))
