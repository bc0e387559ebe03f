"""What one hour of a line was like, in figures that are kept for ever.

Pure: reckoned from what was seen and from why stations stood. What the line lost is the time of its last
station, put down to the stop that began it, as in ``lost``. Hours are those of UTC, so that each has 3600
seconds; whoever wants a shift adds up the hours that lie in it, and the shares of those at its edges.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence

import msgspec

from service.domain.history import Outcome
from service.domain.lost import SUPPLIES
from service.domain.model import SECOND, Change, Instant
from service.domain.states import last_of, line_stretches
from service.domain.track import Cause, Counted, LineTrack, StationTrack, Stop, Stretch, Track

HOUR: Instant = 3600 * SECOND
Place = tuple[str, str]


class SlotHour(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """A slot that lost parts or for whose supply the station stood. ``lost`` ``None``: nobody said.
    ``cost_ms`` of the line's time, because its supply was out or exchanged; ``stops`` of the station for
    that."""

    part: str | None = None
    kind: str | None = None
    placed: int = 0
    lost: int | None = None
    cost_ms: int = 0
    stops: int = 0


class StationHour(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """``stood_ms`` and ``stops`` by cause; with ``worked_ms`` they make up the hour. ``cost_ms`` by cause: of
    the line's time, put down to this station. ``panels``, ``placed``, ``lost`` ``None``: not known. A stop
    counts in the hour in which it began."""

    panels: int | None = None
    placed: int | None = None
    lost: int | None = None
    worked_ms: int = 0
    stood_ms: dict[str, int] = {}
    stops: dict[str, int] = {}
    cost_ms: dict[str, int] = {}
    slots: dict[str, SlotHour] = {}


class LineHour(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """``begin`` to an hour later. ``panels``: of its last station. ``opened``: warnings; ``in_time``,
    ``late``, ``missed``: what became known of them in this hour (``late``: a sum of chances where a refill
    came first). ``messages`` that people got about the line, ``None``: nobody counted."""

    line: str
    begin: Instant
    stations: dict[str, StationHour] = {}
    panels: int | None = None
    opened: int = 0
    in_time: float = 0.0
    late: float = 0.0
    missed: int = 0
    messages: int | None = None


def hours_of(
    track: Track,
    stretches: Mapping[Place, Sequence[Stretch]],
    orders: Mapping[str, Sequence[str]],
) -> list[LineHour]:
    """Every hour of each line that the time has a part in, in order. ``orders``: each line's stations, first
    upstream."""
    seen = [
        _Line(track, line, {each: stretches.get((name, each), ()) for each in line.stations}, orders[name])
        for name, line in sorted(track.lines.items())
    ]
    return [
        each.hour(begin) for begin in range(track.since // HOUR * HOUR, track.until, HOUR) for each in seen
    ]


class _Line:
    """One line in the time that was looked at."""

    def __init__(
        self,
        track: Track,
        line: LineTrack,
        by_station: Mapping[str, Sequence[Stretch]],
        order: Sequence[str],
    ) -> None:
        self.track, self.line, self.by_station, self.order = track, line, by_station, order
        self.whole = line_stretches(by_station, order)

    def hour(self, begin: Instant) -> LineHour:
        track, name, costs = self.track, self.line.line, self._costs(begin)
        stations = {
            each: _station_hour(track, self.line, each, begin, self.by_station[each], costs)
            for each in self.line.stations
        }
        last = last_of(self.by_station, self.order)
        judged = [each for each in _outcomes(track, name, begin) if not each.apart]
        missed = sum(each.is_missed for each in judged)
        late = sum(each.late for each in judged)
        return LineHour(
            line=name,
            begin=begin,
            stations=stations,
            panels=None if last is None else stations[last].panels,
            opened=_opened(track, name, begin),
            in_time=round(len(judged) - late, 6),
            late=round(late - missed, 6),
            missed=missed,
        )

    def _costs(self, begin: Instant) -> dict[tuple[str, Cause, str | None], int]:
        """Of the line's time, by station, cause and slot that it is put down to."""
        costs: dict[tuple[str, Cause, str | None], int] = defaultdict(int)
        for each in self.whole:
            if each.stop is not None and each.since < begin + HOUR and each.until > begin:
                stop = each.stop
                costs[stop.station, stop.cause, stop.slot] += _within(each, begin, begin + HOUR).milliseconds
        return costs


def _outcomes(track: Track, line: str, begin: Instant) -> Iterator[Outcome]:
    return (each for _, each in track.outcomes if each.line == line and begin <= each.at < begin + HOUR)


def _opened(track: Track, line: str, begin: Instant) -> int:
    return sum(
        told.change is Change.OPENED and told.notice.kind == "supply" and told.notice.line == line
        for at, told in track.told
        if begin <= at < begin + HOUR
    )


def _station_hour(
    track: Track,
    line: LineTrack,
    name: str,
    begin: Instant,
    stretches: Sequence[Stretch],
    costs: Mapping[tuple[str, Cause, str | None], int],
) -> StationHour:
    station, end = line.stations[name], begin + HOUR
    before, counts = _counts(station, begin)
    here = [_within(each, begin, end) for each in stretches if each.since < end and each.until > begin]
    stops = {(each.stop.since, each.stop.slot, each.stop.cause): each.stop for each in here if each.stop}
    began = [each for each in stops.values() if begin <= each.since and track.since < each.since]
    used = _used(counts)
    stood = _summed((each.cause, each.milliseconds) for each in here)
    worked = stood.pop("", 0)
    heard = bool(counts) or any(each.cause is not Cause.UNHEARD for each in here)
    mine = {(cause, slot): cost for (place, cause, slot), cost in costs.items() if place == name}
    return StationHour(
        panels=counts[-1].panels - before if counts else (0 if heard else None),
        placed=sum(placed for placed, _ in used.values()) if counts else None,
        lost=_sum(lost for _, lost in used.values()),
        worked_ms=worked,
        stood_ms=stood,
        stops=_summed((each.cause, 1) for each in began),
        cost_ms=_summed((cause, cost) for (cause, _), cost in mine.items()),
        slots=_slots(used, mine, began, here, station.parts),
    )


def _counts(station: StationTrack, begin: Instant) -> tuple[int, list[Counted]]:
    """Those of the hour, and the panels before the first."""
    before, counts = station.progress, []
    for each in station.counts:
        if each.at < begin:
            before = each.panels
        elif each.at < begin + HOUR:
            counts.append(each)
    return before, counts


def _summed(pairs: Iterable[tuple[Cause | None, int]]) -> dict[str, int]:
    """By cause; ``""``: none."""
    sums: dict[str, int] = defaultdict(int)
    for cause, number in pairs:
        sums["" if cause is None else cause.value] += number
    return dict(sorted(sums.items()))


def _within(stretch: Stretch, begin: Instant, end: Instant) -> Stretch:
    return Stretch(since=max(stretch.since, begin), until=min(stretch.until, end), stop=stretch.stop)


def _used(counts: Iterable[Counted]) -> dict[str, tuple[int, int | None]]:
    found: dict[str, tuple[int, int | None]] = {}
    for count in counts:
        for slot, used in count.used.items():
            placed, lost = found.get(slot, (0, None))
            found[slot] = placed + used.placed, _sum((lost, used.lost))
    return found


def _sum(numbers: Iterable[int | None]) -> int | None:
    """Of those that are known."""
    known = [each for each in numbers if each is not None]
    return sum(known) if known else None


def _slots(
    used: Mapping[str, tuple[int, int | None]],
    costs: Mapping[tuple[Cause, str | None], int],
    began: Iterable[Stop],
    here: Iterable[Stretch],
    parts: Mapping[str, tuple[str | None, str | None]],
) -> dict[str, SlotHour]:
    """Those that lost parts, or for whose supply the station stood."""
    stood = [each.stop for each in here if each.stop is not None and each.stop.cause in SUPPLIES]
    what = dict(parts) | {each.slot: (each.part, each.kind) for each in stood if each.slot is not None}
    cost: dict[str, int] = defaultdict(int)
    for (cause, slot), lost in costs.items():
        if slot is not None and cause in SUPPLIES:
            cost[slot] += lost
    stops: dict[str, int] = defaultdict(int)
    for stop in began:
        if stop.slot is not None and stop.cause in SUPPLIES:
            stops[stop.slot] += 1
    losing = {slot for slot, (_, lost) in used.items() if lost}
    return {
        slot: SlotHour(
            part=what.get(slot, (None, None))[0],
            kind=what.get(slot, (None, None))[1],
            placed=used.get(slot, (0, None))[0],
            lost=used.get(slot, (0, None))[1],
            cost_ms=cost.get(slot, 0),
            stops=stops.get(slot, 0),
        )
        for slot in sorted({*losing, *cost, *stops})
    }
