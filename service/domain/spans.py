"""What held when, of a line and of one station: planned rest, no order, no link, a tower that shows waiting.

Spans are (since, until) by time, within the time that is looked at.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from operator import attrgetter

from service.domain import calendar, tower
from service.domain.calendar import Hours
from service.domain.model import Instant, Span
from service.domain.orders import ENDED
from service.domain.policy import TowerRule
from service.domain.track import LineTrack, StationTrack, TowerShown, held

_AT = attrgetter("at")
_Lamps = frozenset[tuple[str, str]]


def within(spans: Sequence[Span], since: Instant, until: Instant) -> list[Span]:
    """The parts of the spans that lie between two moments."""
    return [
        (max(begin, since), min(end, until)) for begin, end in spans if max(begin, since) < min(end, until)
    ]


def rests(hours: Hours | None, since: Instant, until: Instant) -> list[Span]:
    """When by the calendar nobody works."""
    if hours is None:
        return []
    begins = [] if calendar.is_at_work(hours, since) else [since]
    begins += [at for at in calendar.rests(hours, since, until) if at > since]
    spans = []
    for begin in begins:
        back = calendar.work_begins(hours, begin)
        spans.append((begin, until if back is None else min(until, back)))
    return [span for span in spans if span[0] < span[1]]


@dataclass(frozen=True, slots=True)
class Between:
    """No order ran. ``waits``: another was known to follow."""

    since: Instant
    until: Instant
    waits: bool


def between_orders(line: LineTrack, until: Instant) -> list[Between]:
    """Nothing where no order was ever heard to run."""
    spans: list[Between] = []
    open_at: Instant | None = None
    running: str | None = None
    states: dict[str, str] = {}
    for each in line.orders:
        states[each.order] = each.state
        if each.state == "running":
            if open_at is not None:
                spans.append(Between(open_at, each.at, True))
            elif running is not None and running != each.order:
                spans.append(Between(each.at, each.at, True))
            open_at, running = None, each.order
        elif each.order == running and each.state in ENDED:
            open_at, running = each.at, None
    if open_at is not None:
        spans.append(Between(open_at, until, "queued" in states.values()))
    return spans


def offline(station: StationTrack, until: Instant) -> list[Span]:
    return [(link.at, end) for link, end in held(station.links, until) if link.state == "offline"]


def unknown(station: StationTrack, since: Instant) -> list[Span]:
    """What came before its first word, where nothing was known of it when the time began."""
    said = (station.towers, station.counts, station.supplies, station.links, station.recipes)
    first = min((kind[0].at for kind in said if kind), default=since)
    return [(since, first)] if first > since and not station.progress else []


@dataclass(slots=True)
class Tower:
    """One station's tower, and when its panels were complete. ``tells_waiting``: it was ever seen to show
    that the station waits, so that its silence about it means something."""

    shown: Sequence[TowerShown]
    rule: TowerRule
    ends: Sequence[Instant] = ()
    tells_waiting: bool = False
    _works: frozenset[_Lamps] = frozenset()

    def __post_init__(self) -> None:
        self._works = self._lit_at_work()
        self.tells_waiting = any(map(self.waits, self.shown))

    @property
    def speaks(self) -> bool:
        return bool(self.shown)

    def waits(self, shown: TowerShown) -> bool:
        return (
            tower.waits(shown.reading, shown.lamps, self.rule)
            and frozenset(shown.lamps.items()) not in self._works
        )

    def _lit_at_work(self) -> frozenset[_Lamps]:
        """What mostly went on over several panels doesn't say that the station waits, whatever the rule."""
        times: Counter[_Lamps] = Counter()
        for each, following in pairwise(self.shown):
            panels = bisect_left(self.ends, following.at) - bisect_right(self.ends, each.at)
            times[frozenset(each.lamps.items())] += 1 if panels > 1 else -1
        return frozenset(lamps for lamps, more in times.items() if more > 0)

    def during(self, since: Instant, until: Instant) -> Sequence[TowerShown]:
        """What it showed at some moment between the two."""
        first = bisect_right(self.shown, since, key=_AT) - 1
        return self.shown[max(0, first) : bisect_left(self.shown, until, key=_AT)]

    def at(self, moment: Instant) -> TowerShown | None:
        number = bisect_right(self.shown, moment, key=_AT) - 1
        return self.shown[number] if number >= 0 else None

    def begins_to_wait(self, since: Instant, until: Instant) -> Instant | None:
        """When in this time it first showed that the station waits."""
        waits = (each.at for each in self.during(since, until) if each.at >= since and self.waits(each))
        return next(waits, None)
