"""The lines of a review: how each station's time went, every stop of it with its cause, and its figures.

The stretches of a station follow one another without a gap; ``cause`` null: it worked. ``timeline`` is what
its tower showed, ``reading`` null before it showed anything.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from zoneinfo import ZoneInfo

import msgspec

from service.domain.line_order import line_order
from service.domain.lost import SlotLost, lost_by_lines
from service.domain.making import Made, line_made, made_of
from service.domain.model import Instant, milliseconds, to_rfc3339
from service.domain.said import put
from service.domain.states import last_of, line_stretches, mapping_for, trials_of
from service.domain.times import times_object, times_of
from service.domain.track import LineTrack, StationTrack, Stop, Stretch, Track

Json = dict[str, Any]
Place = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Stood:
    """A track with why its stations stood, the stations of each line in order."""

    track: Track
    stretches: Mapping[Place, Sequence[Stretch]]
    orders: Mapping[str, Sequence[str]]

    def of(self, line: str) -> dict[str, Sequence[Stretch]]:
        return {name: self.stretches.get((line, name), ()) for name in self.orders[line]}

    def stops(self) -> list[Stop]:
        """In order of their beginning, then of the line; a stop that ends in parts counts once."""
        found = [
            each.stop
            for line in sorted(self.orders)
            for some in self.of(line).values()
            for each in some
            if each.stop is not None
        ]
        return sorted(found, key=lambda stop: stop.since)


def orders_of(track: Track) -> dict[str, list[str]]:
    """The stations of each line, first upstream."""
    return {
        name: line_order(line, track.policy.review.stations_of(name)) for name, line in track.lines.items()
    }


def stop_objects(stops: Iterable[Stop], zone: ZoneInfo) -> list[Json]:
    return [_stop_object(number, stop, zone) for number, stop in enumerate(stops, 1)]


def _stop_object(number: int, stop: Stop, zone: ZoneInfo) -> Json:
    return {
        "id": number,
        "line": stop.line,
        "station": stop.station,
        "since": to_rfc3339(stop.since),
        "until": to_rfc3339(stop.until),
        "stood_ms": milliseconds(stop.since, stop.until),
        "cause": stop.cause.value,
        "slot": stop.slot,
        "part": stop.part,
        "kind": stop.kind,
        "confidence": round(stop.confidence, 3),
        "blamed": stop.blamed,
        "because_of": stop.because_of,
        "because": [put(each, zone) for each in stop.evidence],
        "said": [msgspec.to_builtins(each) for each in stop.evidence],
    }


def lost_object(stood: Stood) -> Json:
    """What the lines lost, each moment once: of a line that of its last station, put down to the stop that
    began it."""
    lost = lost_by_lines(stood.stretches, stood.orders)
    return {
        "whole_ms": lost.milliseconds,
        "worked_ms": lost.worked,
        "by_cause": [{"cause": cause.value, "lost_ms": each} for cause, each in lost.by_cause.items()],
        "by_slot": [_slot_object(each) for each in lost.by_slot],
        "by_part": [{"part": part, "lost_ms": each} for part, each in lost.by_part.items()],
        "by_kind": [{"kind": kind, "lost_ms": each} for kind, each in lost.by_kind.items()],
        "waterfall": [
            {"name": each.name, "milliseconds": each.milliseconds, "total": each.total}
            for each in lost.waterfall
        ],
    }


def _slot_object(each: SlotLost) -> Json:
    return {
        "line": each.line,
        "station": each.station,
        "slot": each.slot,
        "part": each.part,
        "kind": each.kind,
        "lost_ms": each.milliseconds,
        "out_ms": each.out,
        "exchanged_ms": each.exchanged,
        "stops": each.stops,
    }


def line_objects(stood: Stood) -> list[Json]:
    return [_line_object(stood, name) for name in sorted(stood.orders)]


def _line_object(stood: Stood, name: str) -> Json:
    track, line = stood.track, stood.track.lines[name]
    order, by_station = stood.orders[name], stood.of(name)
    made = {
        station: made_of(line, line.stations[station], track.policy, track.since, track.until)
        for station in order
    }
    whole = line_stretches(by_station, order)
    times = {
        station: _times(track, line, station, by_station[station], made[station], station)
        for station in order
    }
    total = line_made([made[station] for station in order])
    return {
        "line": name,
        "stations": list(order),
        "panels": total.panels,
        "timeline": {station: _timeline(track, line.stations[station]) for station in order},
        "stretches": {station: [_stretch(each) for each in by_station[station]] for station in order},
        "whole": [_stretch(each) for each in whole],
        "times": {
            "stations": times,
            "line": _times(track, line, None, whole, total, last_of(by_station, order)),
        },
        "orders": [
            {
                "at": to_rfc3339(each.at),
                "order": each.order,
                "recipe": each.recipe,
                "panels": each.panels,
                "state": each.state,
            }
            for each in line.orders
        ],
        "made": {station: made[station].panels for station in order},
    }


def _times(
    track: Track,
    line: LineTrack,
    station: str | None,
    stretches: Sequence[Stretch],
    made: Made,
    speaks: str | None,
) -> Json | None:
    """Of a ``station``, else of the line; ``speaks``: the station whose recipes rule."""
    if not stretches:
        return None
    rules = track.policy.review
    recipes = [] if speaks is None else line.stations[speaks].recipes
    times = times_of(
        stretches,
        mapping_for(track.policy, line.line, station),
        rules=rules,
        trials=trials_of(recipes, rules.engineering, track.until),
    )
    return times_object(times, made, rules)


def _stretch(stretch: Stretch) -> Json:
    stop = stretch.stop
    return {
        "since": to_rfc3339(stretch.since),
        "until": to_rfc3339(stretch.until),
        "cause": None if stop is None else stop.cause.value,
        "station": None if stop is None else stop.station,
        "slot": None if stop is None else stop.slot,
    }


def _timeline(track: Track, station: StationTrack) -> list[Json]:
    """What the tower showed, from each change to the next."""
    return [
        {
            "since": to_rfc3339(since),
            "until": to_rfc3339(until),
            "reading": reading,
            "slots": list(slots),
        }
        for since, until, reading, slots in _shown(track, station)
        if until > since
    ]


def _shown(
    track: Track, station: StationTrack
) -> Iterator[tuple[Instant, Instant, str | None, tuple[str, ...]]]:
    since, slots = track.since, tuple[str, ...]()
    reading: str | None = None
    for each in station.towers:
        if (each.reading, each.slots) == (reading, slots):
            continue
        at = min(max(each.at, since), track.until)
        yield since, at, reading, slots
        since, reading, slots = at, each.reading, each.slots
    yield since, track.until, reading, slots
