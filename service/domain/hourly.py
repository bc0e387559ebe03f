"""What one hour of a line was like, in figures that are kept for ever.

Pure: reckoned from what was seen and from why stations stood. Hours are those of UTC, so that each has 3600
seconds; whoever wants a shift adds up the hours that lie in it, and the shares of those at its edges.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence

import msgspec

from service.domain.history import Outcome
from service.domain.model import SECOND, Change, Instant
from service.domain.track import Cause, Counted, LineTrack, Stop, Stretch, Track

HOUR: Instant = 3600 * SECOND
OWN = frozenset({Cause.SUPPLY, Cause.FAULT, Cause.EXCHANGE, Cause.UNKNOWN})
"""The causes of stops that cost the line time by the station itself, as ``Stop.blamed`` has it."""
Place = tuple[str, str]


class SlotHour(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """A slot that lost parts or made its station stand. ``lost`` ``None``: nobody said. ``stood_ms``: of the
    station, for want of this supply."""

    part: str | None = None
    kind: str | None = None
    placed: int = 0
    lost: int | None = None
    stood_ms: int = 0
    stops: int = 0


class StationHour(msgspec.Struct, frozen=True, omit_defaults=True, kw_only=True):
    """``stood_ms`` and ``stops`` by cause; with ``worked_ms`` they make up the hour. ``panels``, ``placed``,
    ``lost`` ``None``: not known. A stop counts in the hour in which it began."""

    panels: int | None = None
    placed: int | None = None
    lost: int | None = None
    worked_ms: int = 0
    stood_ms: dict[str, int] = {}
    stops: dict[str, int] = {}
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
    return [
        _line_hour(track, line, begin, stretches, orders.get(name, ()))
        for begin in range(track.since // HOUR * HOUR, track.until, HOUR)
        for name, line in sorted(track.lines.items())
    ]


def _line_hour(
    track: Track,
    line: LineTrack,
    begin: Instant,
    stretches: Mapping[Place, Sequence[Stretch]],
    order: Sequence[str],
) -> LineHour:
    stations = {
        name: _station_hour(track, line, name, begin, stretches.get((line.line, name), ()))
        for name in line.stations
    }
    last = next((stations[name] for name in reversed(order) if name in stations), None)
    judged = [each for each in _outcomes(track, line.line, begin) if not each.apart]
    missed = sum(_is_missed(each) for each in judged)
    late = sum(each.late for each in judged)
    return LineHour(
        line=line.line,
        begin=begin,
        stations=stations,
        panels=None if last is None else last.panels,
        opened=_opened(track, line.line, begin),
        in_time=round(len(judged) - late, 6),
        late=round(late - missed, 6),
        missed=missed,
    )


def _outcomes(track: Track, line: str, begin: Instant) -> Iterator[Outcome]:
    return (each for _, each in track.outcomes if each.line == line and begin <= each.at < begin + HOUR)


def _is_missed(outcome: Outcome) -> bool:
    """Empty without a warning before."""
    return outcome.given is not None and outcome.covered is None


def _opened(track: Track, line: str, begin: Instant) -> int:
    return sum(
        told.change is Change.OPENED and told.notice.kind == "supply" and told.notice.line == line
        for at, told in track.told
        if begin <= at < begin + HOUR
    )


def _station_hour(
    track: Track, line: LineTrack, name: str, begin: Instant, stretches: Sequence[Stretch]
) -> StationHour:
    station, end = line.stations[name], begin + HOUR
    before, counts = station.progress, []
    for each in station.counts:
        if each.at < begin:
            before = each.panels
        elif each.at < end:
            counts.append(each)
    here = [_within(each, begin, end) for each in stretches if each.since < end and each.until > begin]
    stops = {(each.stop.since, each.stop.slot, each.stop.cause): each.stop for each in here if each.stop}
    began = [each for each in stops.values() if begin <= each.since and track.since < each.since]
    used = _used(counts)
    slots = _slots(used, here, began, station.parts)
    stood: dict[str, int] = defaultdict(int)
    for piece in here:
        stood["" if piece.cause is None else piece.cause.value] += _milliseconds(piece)
    worked = stood.pop("", 0)
    heard = bool(counts) or any(each.cause is not Cause.UNHEARD for each in here)
    return StationHour(
        panels=counts[-1].panels - before if counts else (0 if heard else None),
        placed=sum(placed for placed, _ in used.values()) if counts else None,
        lost=_sum(lost for _, lost in used.values()),
        worked_ms=worked,
        stood_ms=dict(sorted(stood.items())),
        stops=_by_cause(began),
        slots=slots,
    )


def _within(stretch: Stretch, begin: Instant, end: Instant) -> Stretch:
    return Stretch(since=max(stretch.since, begin), until=min(stretch.until, end), stop=stretch.stop)


def _milliseconds(stretch: Stretch) -> int:
    """By the full milliseconds at both ends, so that those of neighbours add up."""
    return stretch.until // 1000 - stretch.since // 1000


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


def _by_cause(stops: Iterable[Stop]) -> dict[str, int]:
    counted: dict[str, int] = defaultdict(int)
    for each in stops:
        counted[each.cause.value] += 1
    return dict(sorted(counted.items()))


def _slots(
    used: Mapping[str, tuple[int, int | None]],
    here: Iterable[Stretch],
    began: Iterable[Stop],
    parts: Mapping[str, tuple[str | None, str | None]],
) -> dict[str, SlotHour]:
    """Those that lost parts, or made the station stand."""
    stood: dict[str, int] = defaultdict(int)
    what = dict(parts)
    for each in here:
        if each.stop is not None and each.stop.slot is not None and each.cause is Cause.SUPPLY:
            stood[each.stop.slot] += _milliseconds(each)
            what[each.stop.slot] = each.stop.part, each.stop.kind
    stops: dict[str, int] = defaultdict(int)
    for stop in began:
        if stop.slot is not None and stop.cause is Cause.SUPPLY:
            stops[stop.slot] += 1
    losing = {slot for slot, (_, lost) in used.items() if lost}
    return {
        slot: SlotHour(
            part=what.get(slot, (None, None))[0],
            kind=what.get(slot, (None, None))[1],
            placed=used.get(slot, (0, None))[0],
            lost=used.get(slot, (0, None))[1],
            stood_ms=stood.get(slot, 0),
            stops=stops.get(slot, 0),
        )
        for slot in sorted({*losing, *stood})
    }
