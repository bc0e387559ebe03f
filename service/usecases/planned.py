"""The plan of a line as it is shown: which slots to exchange together, at which panel boundary and clock
time, and what can be done meanwhile without a stop."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import fsum

from service.domain import judge, notices
from service.domain.calendar import Hours, hours_of, walk
from service.domain.model import SECOND, Instant, Spread, to_rfc3339
from service.domain.outcome import forecast, is_boundary_only
from service.domain.pace import Pace, pace_of, seconds_to_empty
from service.domain.plan import Job, Stop, Terms, Turn, Window, fewest_stops, in_turn, window_of
from service.domain.sight import Sight
from service.domain.state import SlotState, StationState
from service.domain.world import World

Json = dict[str, object]
EXCHANGE = 60.0
"""Seconds that one exchange takes, with the walk (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Place:
    """A slot, with what turns its station's panels into clock times."""

    station: StationState
    slot: SlotState
    sight: Sight
    pace: Pace | None
    hours: Hours | None

    def at(self, panels: int) -> Instant | None:
        """When so many panels will have passed, as far as the takt is known."""
        seconds = self.seconds(panels)
        start = self.station.counted_at
        if seconds is None or start is None:
            return None
        return walk(self.hours, start, round(seconds * SECOND))

    def seconds(self, panels: int) -> float | None:
        found = None if self.pace is None else seconds_to_empty(self.pace, (panels, panels, panels))
        return None if found is None else found[1]


def plan_object(world: World, line: str, *, terms: Terms, panels: int) -> Json:
    """The plan for the next ``panels`` panels. Slots that outlast the known orders have no part in it."""
    stations = world.stations_of(line)
    windows = [each for each in _windows(world, stations, terms) if each.last <= panels]
    stopping: list[Window[Place]] = []
    others: list[Window[Place]] = []
    for each in windows:
        (stopping if is_boundary_only(each.what.slot, each.what.sight) else others).append(each)
    counted = [station.counted_at for station in stations if station.counted_at is not None]
    return {
        "line": line,
        "as_of": to_rfc3339(max(counted)) if counted else None,
        "panels": panels,
        "margin_panels": terms.margin,
        "waste_share": terms.waste,
        "stops": [_stop_object(stop) for stop in fewest_stops(stopping)],
        "meanwhile": _meanwhile(others),
    }


def _windows(world: World, stations: Sequence[StationState], terms: Terms) -> Iterator[Window[Place]]:
    for station in stations:
        sights, line = world.sights_of(station), world.line(station.line)
        named = [(slot, judge.case_of(line, station, slot, sights)) for slot in _speakers(station, sights)]
        known = [(slot, case) for slot, case in named if case is not None]
        spreads = forecast([case for _, case in known]) if known else []
        pace, hours = pace_of(station), hours_of(world.policy, station.line)
        for (slot, case), spread in zip(known, spreads, strict=True):
            sight = sights[slot.name]
            if sight.usage and (case.needed is None or spread.p50 < case.needed):
                left = fsum(case.question.left * case.question.weight)
                place = Place(station, slot, sight, pace, hours)
                yield _window(place, spread, left=left, usage=sight.usage, terms=terms)


def _window(place: Place, spread: Spread[int], *, left: float, usage: float, terms: Terms) -> Window[Place]:
    slot = place.slot
    full = place.sight.rule.full or (None if slot.partial or slot.assumed else slot.declared)
    return window_of(place, sure=spread.p05, left=left, usage=usage, full=full, terms=terms)


def _speakers(station: StationState, sights: dict[str, Sight]) -> Iterator[SlotState]:
    """Each slot, but of those that feed the same placements only the one with least in it."""
    for slot in station.slots.values():
        group = [station.slots[name] for name in sights[slot.name].group if name in station.slots]
        if not group or slot is min(group, key=lambda one: (one.book is None, one.book or 0, one.name)):
            yield slot


def _stop_object(stop: Stop[Place]) -> Json:
    moments = [at for window in stop.windows if (at := window.what.at(stop.boundary)) is not None]
    return {
        "panels": stop.boundary,
        "at": to_rfc3339(min(moments)) if moments else None,
        "exchanges": [_exchange(window) for window in sorted(stop.windows, key=_by_place)],
    }


def _by_place(window: Window[Place]) -> tuple[int, str, str]:
    return window.last, window.what.station.station, window.what.slot.name


def _exchange(window: Window[Place]) -> Json:
    place = window.what
    notice = place.slot.notice
    return {
        "station": place.station.station,
        "slot": place.slot.name,
        "kind": place.slot.kind,
        "part": place.sight.part,
        "from_panels": window.first,
        "by_panels": window.last,
        "from": _told(place.at(window.first)),
        "by": _told(place.at(window.last)),
        "notice": notice.id if notice is not None and notices.is_live(notice) else None,
    }


def _meanwhile(windows: Sequence[Window[Place]]) -> list[Json]:
    """In the order in which one pair of hands does best; without a known takt by panels alone."""
    timed = [(window, _job(window)) for window in windows]
    turns = in_turn([job for _, job in timed if job is not None])
    untimed = sorted((window for window, job in timed if job is None), key=_by_place)
    return [_turn(turn) for turn in turns] + [_exchange(window) | {"late": None} for window in untimed]


def _job(window: Window[Place]) -> Job[Window[Place]] | None:
    release, deadline = (window.what.seconds(panels) for panels in (window.first, window.last))
    if release is None or deadline is None:
        return None
    return Job(window, release, deadline + EXCHANGE, EXCHANGE)


def _turn(turn: Turn[Window[Place]]) -> Json:
    return _exchange(turn.job.what) | {"late": turn.is_late}


def _told(at: Instant | None) -> str | None:
    return None if at is None else to_rfc3339(at)
