"""A station's time, cut into pieces that each count as one thing by SEMI E10 and by ISO 22400-2.

Borders are instants; a piece goes from the millisecond of one to that of the next, as they are printed. So
the pieces follow one another without gap or overlap, whatever was cut, and add up to the wall time to the
millisecond.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from itertools import pairwise
from types import MappingProxyType

from service.domain.model import Instant, Span
from service.domain.policy import Policy, cause_counts
from service.domain.reviewing import E10, Time
from service.domain.track import Cause, RecipeSet, Stop, Stretch, held


@dataclass(frozen=True, slots=True)
class Counts:
    """What a moment counts as. ``code``: the resource state of IPC-2591 (CFX) that says it closest."""

    e10: E10
    time: Time
    code: str


WORK = Counts(E10.PRODUCTIVE, Time.PRODUCTION, "1100")
TRIAL = Counts(E10.ENGINEERING, Time.PRODUCTION, "3000")

# States and codes: IPC-2591's list of resource states. Being out of supplies is 5500, a planned exchange
# 4400, held 2201, starved 2202, set-up 4500, waiting for units of work standby, what isn't defined
# non-scheduled (6000): so a station of which nothing was heard counts neither for nor against anybody, and
# how long that was is shown. Times: ADET is malfunctions and minor stops, ADOT "not running although
# available" (the ontology of ISO 22400-2); that an exchange is a delay and a rest outside the busy time is
# ours.
USUAL: Mapping[Cause, Counts] = MappingProxyType(
    {
        Cause.SUPPLY: Counts(E10.UNSCHEDULED, Time.DELAY, "5500"),
        Cause.FAULT: Counts(E10.UNSCHEDULED, Time.DELAY, "5000"),
        Cause.UNKNOWN: Counts(E10.UNSCHEDULED, Time.DELAY, "5000"),
        Cause.EXCHANGE: Counts(E10.SCHEDULED, Time.DELAY, "4400"),
        Cause.CHANGEOVER: Counts(E10.SCHEDULED, Time.SET_UP, "4500"),
        Cause.HELD: Counts(E10.STANDBY, Time.DOWN, "2201"),
        Cause.STARVED: Counts(E10.STANDBY, Time.DOWN, "2202"),
        Cause.NO_ORDER: Counts(E10.STANDBY, Time.DOWN, "2200"),
        Cause.REST: Counts(E10.NON_SCHEDULED, Time.PLANNED_DOWN, "6000"),
        Cause.UNHEARD: Counts(E10.NON_SCHEDULED, Time.PLANNED_DOWN, "6000"),
    }
)
_THOUSANDS = MappingProxyType(dict(zip(("1000", "2000", "3000", "4000", "5000", "6000"), E10, strict=True)))


def e10_of(code: str) -> E10:
    """The basic state of a resource state's code: its thousands; what isn't defined is non-scheduled."""
    known = len(code) == 4 and code.isdecimal()
    return _THOUSANDS.get(f"{code[0]}000", E10.NON_SCHEDULED) if known else E10.NON_SCHEDULED


Mapped = Mapping[Cause, Counts]


def mapping_for(policy: Policy, line: str, station: str | None = None) -> Mapped:
    """What each cause counts as at a station, or for a line; a code only as far as it says no other state."""
    return {cause: _counts(policy, line, station, cause) for cause in Cause}


def _counts(policy: Policy, line: str, station: str | None, cause: Cause) -> Counts:
    usual = USUAL[cause]
    e10, time = cause_counts(policy, line=line, station=station, cause=cause)
    counts = replace(usual, e10=e10 or usual.e10, time=time or usual.time)
    if counts.e10 == e10_of(usual.code):
        return counts
    return replace(counts, code=next(code for code, state in _THOUSANDS.items() if state == counts.e10))


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """``since`` and ``until`` in milliseconds since 1970; ``cause`` ``None``: it worked."""

    since: int
    until: int
    cause: Cause | None
    counts: Counts

    @property
    def ms(self) -> int:
        return self.until - self.since


def pieces_of(stretches: Sequence[Stretch], mapped: Mapped, trials: Sequence[Span] = ()) -> list[Piece]:
    """``trials``: while a recipe ran that is one. Raises ``ValueError`` for a gap or an overlap."""
    for before, after in pairwise(stretches):
        if before.until != after.since:
            raise ValueError(f"a stretch ends at {before.until}, the next one begins at {after.since}")
    return [piece for stretch in stretches for piece in _cut(stretch, mapped, trials)]


def _cut(stretch: Stretch, mapped: Mapped, trials: Sequence[Span]) -> Iterator[Piece]:
    if stretch.cause is not None:
        yield _piece(stretch.since, stretch.until, stretch.cause, mapped[stretch.cause])
        return
    at = stretch.since
    for since, until in trials:
        begin, end = max(since, at), min(until, stretch.until)
        if begin < end:
            yield from _work(at, begin, WORK)
            yield _piece(begin, end, None, TRIAL)
            at = end
    yield from _work(at, stretch.until, WORK)


def _work(since: Instant, until: Instant, counts: Counts) -> Iterator[Piece]:
    if since < until:
        yield _piece(since, until, None, counts)


def _piece(since: Instant, until: Instant, cause: Cause | None, counts: Counts) -> Piece:
    return Piece(since=since // 1000, until=until // 1000, cause=cause, counts=counts)


def trials_of(recipes: Sequence[RecipeSet], patterns: Sequence[str], until: Instant) -> list[Span]:
    """When a recipe ruled that one of the patterns names, in order."""
    return [
        (each.at, end)
        for each, end in held(recipes, until)
        if each.recipe is not None and any(fnmatchcase(each.recipe, pattern) for pattern in patterns)
    ]


def line_stretches(by_station: Mapping[str, Sequence[Stretch]], order: Sequence[str]) -> list[Stretch]:
    """The line's time: that of its last station, because what leaves the line is what it makes. Where that
    one had no work, the stop that cut it off says why the line lost the time."""
    last = last_of(by_station, order)
    return [] if last is None else [_explained(stretch, by_station) for stretch in by_station[last]]


def last_of(by_station: Mapping[str, Sequence[Stretch]], order: Sequence[str]) -> str | None:
    """The station that speaks for the line: the last one of which there is a time."""
    return next((station for station in reversed(order) if by_station.get(station)), None)


def _explained(stretch: Stretch, by_station: Mapping[str, Sequence[Stretch]]) -> Stretch:
    stop, seen = stretch.stop, set[str]()
    while stop is not None and stop.cause == Cause.STARVED and stop.because_of not in (None, *seen):
        seen.add(stop.because_of or "")
        stop = _last_stop(by_station.get(stop.because_of or "", ()), stretch.until) or stop
    return stretch if stop is stretch.stop else replace(stretch, stop=stop)


def _last_stop(stretches: Sequence[Stretch], until: Instant) -> Stop | None:
    """What it last stood for before ``until``; that it was held itself cuts nobody off behind it."""
    stops = (each.stop for each in stretches if each.since < until and each.cause != Cause.HELD)
    return max((stop for stop in stops if stop is not None), key=lambda stop: stop.since, default=None)
