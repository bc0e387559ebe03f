"""When a line works: its shifts and breaks laid out on the calendar, with daylight saving.

A shift belongs to the day on which it begins, so one that begins on a closed day doesn't take place. A wall
time means the first moment at which the clock of the site shows it or, where the clock is put forward over
it, the moment of that: a shift over the changed hour is an hour shorter or longer. (RFC 5545, 3.3.5, too
takes the first of two equal times; for one that doesn't exist it would let the end of a break come before
its beginning.) All times are microseconds.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from fnmatch import fnmatchcase
from functools import lru_cache
from zoneinfo import ZoneInfo

import msgspec

from service.domain.model import SECOND, Instant, from_datetime, to_datetime
from service.domain.policy import DAYS, Policy, Shift

_DAY = timedelta(days=1)
_PIECE_DAYS = 28
_PIECE = _PIECE_DAYS * 86_400 * SECOND
_YEAR = 365 * 86_400 * SECOND
_MOST_PIECES = 131
_ALWAYS = (Shift(start="00:00", end="00:00"),)


class Hours(msgspec.Struct, frozen=True, cache_hash=True):
    """When a line works: its ``shifts``, but for those that begin on one of the ``closed`` days."""

    timezone: str
    shifts: tuple[Shift, ...]
    closed: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Work:
    """A piece of the calendar: ``edges`` where work begins and ends, by turns, and what was worked in the
    piece until each of them."""

    edges: tuple[Instant, ...]
    sums: tuple[Instant, ...]

    def until(self, at: Instant) -> Instant:
        """What was worked in the piece before ``at``."""
        passed = bisect_right(self.edges, at)
        if not passed:
            return 0
        since = at - self.edges[passed - 1] if passed % 2 else 0
        return self.sums[passed - 1] + since

    def when(self, done: Instant) -> Instant:
        """The first moment at which so much was worked; more than nothing, and at most all."""
        edge = bisect_left(self.sums, done)
        return self.edges[edge] - (self.sums[edge] - done)

    @property
    def whole(self) -> Instant:
        return self.sums[-1] if self.sums else 0


def hours_of(policy: Policy, line: str) -> Hours | None:
    """When the line works, by all shifts that fit it; ``None``: always. With closed days alone it works on
    all others."""
    if not policy.shifts and not policy.closed:
        return None
    return _hours(policy.timezone, policy.shifts, policy.closed, line)


@lru_cache(maxsize=1024)
def _hours(timezone: str, shifts: tuple[Shift, ...], closed: tuple[str, ...], line: str) -> Hours | None:
    fitting = tuple(shift for shift in shifts if fits(shift, line))
    return Hours(timezone, fitting or _ALWAYS, closed) if fitting or closed else None


def fits(shift: Shift, line: str | None) -> bool:
    """Whether the line works by it; ``None``: any line."""
    return line is None or fnmatchcase(line, shift.line or "*")


def worked(hours: Hours | None, begin: Instant, end: Instant) -> Instant:
    """The working time between two moments, the first before the second."""
    if hours is None:
        return end - begin
    first, last = begin // _PIECE, end // _PIECE
    between = sum(_work(hours, number).whole for number in range(first, last))
    return between + _work(hours, last).until(end) - _work(hours, first).until(begin)


def is_at_work(hours: Hours | None, at: Instant) -> bool:
    return hours is None or bisect_right(_work(hours, at // _PIECE).edges, at) % 2 == 1


def timed(hours: Hours | None, begin: Instant, end: Instant) -> Instant | None:
    """The working time of something that was done from ``begin`` to ``end``.

    What was done wholly within a planned rest shows that the rest wasn't taken: its time counts. ``None``
    where only one end lies in a rest: how much of that was worked nobody knows.
    """
    within = worked(hours, begin, end)
    if within == 0 or within == end - begin:
        return end - begin
    return within if is_at_work(hours, begin) and is_at_work(hours, end) else None


def walk(hours: Hours | None, start: Instant, work: Instant, *, goes_on: bool = False) -> Instant | None:
    """The first moment at which ``work`` will have been worked since ``start``.

    ``goes_on``: the line is seen to work at ``start``, so if that lies in a planned rest, this rest isn't
    taken. ``None`` where for a year no work is planned before that, and for what is ten years away.
    """
    if hours is None or work <= 0:
        return start + max(work, 0)
    if goes_on and not is_at_work(hours, start):
        end = work_begins(hours, start)
        if end is None or start + work <= end:
            return start + work
        start, work = end, work - (end - start)
    piece, last = start // _PIECE, start
    work += _work(hours, piece).until(start)
    for number in range(piece, piece + _MOST_PIECES):
        done = _work(hours, number)
        if work <= done.whole:
            return done.when(work) if done.edges[0] - last <= _YEAR else None
        work -= done.whole
        last = max(last, done.edges[-1]) if done.edges else last
        if (number + 1) * _PIECE - last > _YEAR:
            return None
    return None


def rests(hours: Hours | None, begin: Instant, end: Instant) -> list[Instant]:
    """When planned rests begin, after ``begin`` and up to ``end``."""
    if hours is None:
        return []
    pieces = range(begin // _PIECE, end // _PIECE + 1)
    edges = (edge for number in pieces for edge in _work(hours, number).edges[1::2])
    return [edge for edge in edges if begin < edge <= end and not is_at_work(hours, edge)]


def work_begins(hours: Hours, at: Instant) -> Instant | None:
    """When work begins next, from a moment of rest on. ``None`` as in ``walk``."""
    moment = walk(hours, at, 1)
    return None if moment is None else moment - 1


@lru_cache(maxsize=512)
def _work(hours: Hours, number: int) -> _Work:
    begin, end = number * _PIECE, (number + 1) * _PIECE
    edges: list[Instant] = []
    clipped = ((max(since, begin), min(until, end)) for since, until in _stretches(hours, begin))
    for since, until in sorted(clipped):
        if since < until and edges and since <= edges[-1]:
            edges[-1] = max(edges[-1], until)
        elif since < until:
            edges += (since, until)
    sums: list[Instant] = []
    whole = 0
    for since, until in zip(edges[::2], edges[1::2], strict=True):
        sums += (whole, whole + until - since)
        whole += until - since
    return _Work(tuple(edges), tuple(sums))


def _stretches(hours: Hours, begin: Instant) -> Iterator[tuple[Instant, Instant]]:
    """The working time of all shifts that may reach into the piece that begins then."""
    zone = ZoneInfo(hours.timezone)
    spans = [days_of(span) for span in hours.closed]
    first = to_datetime(begin).astimezone(zone).date() - 2 * _DAY
    for number in range(_PIECE_DAYS + 4):
        day = first + number * _DAY
        if any(since <= day <= until for since, until in spans):
            continue
        for shift in hours.shifts:
            if DAYS[day.weekday()] in shift.days:
                yield from _between_breaks(zone, shift, day)


def _between_breaks(zone: ZoneInfo, shift: Shift, day: date) -> Iterator[tuple[Instant, Instant]]:
    start, end = time.fromisoformat(shift.start), time.fromisoformat(shift.end)
    since, finish = _span(zone, day, start, end)
    breaks = [(begin, over, day + (begin < start) * _DAY) for begin, over in map(times_of, shift.breaks)]
    for begin, over in sorted(_span(zone, on, begin, over) for begin, over, on in breaks):
        yield since, min(begin, finish)
        since = max(since, over)
    yield since, finish


def covers(zone: ZoneInfo, begin: str, end: str, at: Instant) -> date | None:
    """The day on which the span of wall times began that ``at`` lies in; ``None``: it lies in none. A span
    that ends when it begins or before ends on the next day."""
    today = to_datetime(at).astimezone(zone).date()
    first, last = time.fromisoformat(begin), time.fromisoformat(end)
    for day in (today, today - _DAY):
        since, until = _span(zone, day, first, last)
        if since <= at < until:
            return day
    return None


def shift_at(policy: Policy, line: str | None, at: Instant) -> tuple[Instant, Instant] | None:
    """Beginning and end of the shift that runs then; of several (without a ``line`` those of all lines) the
    one that began last. ``None``: none runs."""
    today = to_datetime(at).astimezone(ZoneInfo(policy.timezone)).date()
    shifts = [each for each in policy.shifts if fits(each, line)]
    spans = (span for day in (today - _DAY, today) for span in _shifts_on(policy, shifts, day))
    return max((span for span in spans if span[0] <= at < span[1]), default=None)


def _shifts_on(policy: Policy, shifts: Iterable[Shift], day: date) -> Iterator[tuple[Instant, Instant]]:
    """The spans of those that begin on that day."""
    for shift in shifts:
        if DAYS[day.weekday()] in shift.days and not is_closed(policy.closed, day):
            start, end = time.fromisoformat(shift.start), time.fromisoformat(shift.end)
            yield _span(ZoneInfo(policy.timezone), day, start, end)


def spans_of(policy: Policy, shift: Shift, after: Instant, until: Instant) -> list[tuple[Instant, Instant]]:
    """When a shift took or takes place: those of its times that end after ``after`` and not after ``until``,
    in order."""
    zone = ZoneInfo(policy.timezone)
    first, last = (to_datetime(at).astimezone(zone).date() for at in (after, until))
    days = (first + number * _DAY for number in range(-1, (last - first).days + 1))
    spans = (span for day in days for span in _shifts_on(policy, [shift], day))
    return [span for span in spans if after < span[1] <= until]


def is_closed(closed: tuple[str, ...], day: date) -> bool:
    return any(since <= day <= until for since, until in map(days_of, closed))


def _span(zone: ZoneInfo, day: date, begin: time, end: time) -> tuple[Instant, Instant]:
    return moment_of(zone, day, begin), moment_of(zone, day + (end <= begin) * _DAY, end)


def times_of(span: str) -> tuple[time, time]:
    """The two wall times of ``09:00-09:15``."""
    begin, end = map(time.fromisoformat, span.split("-"))
    return begin, end


def days_of(span: str) -> tuple[date, date]:
    """First and last day of ``2026-12-24/2027-01-06`` or of a single day. Raises ``ValueError``."""
    first, _, last = span.partition("/")
    return date.fromisoformat(first), date.fromisoformat(last or first)


def moment_of(zone: ZoneInfo, day: date, wall: time) -> Instant:
    """When the clocks of ``zone`` show ``wall`` on that day; where they jump over it, when they do."""
    local = datetime.combine(day, wall, zone)
    at = from_datetime(local)
    if to_datetime(at).astimezone(zone).replace(tzinfo=None) == local.replace(tzinfo=None):
        return at
    # The clock is put forward over it. By the clock of after the jump it came before it.
    shown = local.replace(fold=1)
    seconds = range(from_datetime(shown) // SECOND, at // SECOND + 1)
    jumped = bisect_left(
        seconds, True, key=lambda second: _offset(zone, second * SECOND) == shown.utcoffset()
    )
    return seconds[jumped] * SECOND


def _offset(zone: ZoneInfo, at: Instant) -> timedelta | None:
    return to_datetime(at).astimezone(zone).utcoffset()
