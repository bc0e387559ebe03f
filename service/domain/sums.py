"""Hourly figures added up over a stretch of time: a shift, a week.

An hour that lies in it in part counts by that part, as if what happened in it had happened evenly: shifts
seldom begin in the middle of an hour, and what is kept for ever can't be finer.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from service.domain.hourly import HOUR, LineHour, StationHour
from service.domain.model import Instant
from service.domain.track import Cause

LOST = frozenset({Cause.SUPPLY, Cause.EXCHANGE, Cause.FAULT, Cause.STARVED, Cause.HELD, Cause.UNKNOWN})
"""The causes by which a line loses time that was meant for work."""
Slot = tuple[str, str, str]
"""Line, station, slot."""


@dataclass(slots=True)
class SlotSum:
    part: str | None = None
    kind: str | None = None
    placed: float = 0.0
    lost: float = 0.0
    cost_ms: float = 0.0
    stops: float = 0.0


@dataclass(slots=True)
class Cost:
    cost_ms: float = 0.0
    stops: float = 0.0


@dataclass(slots=True)
class Sums:
    """``cost_ms`` of the lines' time and ``stops`` by cause; ``stations`` by line, station and cause.
    ``messages`` ``None``: of no hour they are known."""

    cost_ms: Mapping[str, float] = field(default_factory=dict)
    stops: Mapping[str, float] = field(default_factory=dict)
    slots: Mapping[Slot, SlotSum] = field(default_factory=dict)
    stations: Mapping[tuple[str, str, str], Cost] = field(default_factory=dict)
    worked_ms: float = 0.0
    panels: float | None = None
    opened: float = 0.0
    in_time: float = 0.0
    late: float = 0.0
    missed: float = 0.0
    messages: float | None = None

    @property
    def lost_ms(self) -> float:
        return sum(self.cost_ms.values())


def summed(hours: Iterable[LineHour], since: Instant, until: Instant) -> Sums:
    """Of the hours that overlap the time."""
    slots: dict[Slot, SlotSum] = defaultdict(SlotSum)
    stations: dict[tuple[str, str, str], Cost] = defaultdict(Cost)
    sums = Sums(slots=slots, stations=stations)
    for hour in hours:
        share = (min(until, hour.begin + HOUR) - max(since, hour.begin)) / HOUR
        if share <= 0:
            continue
        sums.panels = _more(sums.panels, hour.panels, share)
        sums.messages = _more(sums.messages, hour.messages, share)
        sums.opened += hour.opened * share
        sums.in_time += hour.in_time * share
        sums.late += hour.late * share
        sums.missed += hour.missed * share
        for name, station in hour.stations.items():
            sums.worked_ms += station.worked_ms * share
            _add(slots, stations, (hour.line, name), station, share)
    sums.cost_ms = _by_cause({key: each.cost_ms for key, each in stations.items()})
    sums.stops = _by_cause({key: each.stops for key, each in stations.items()})
    return sums


def _by_cause(values: Mapping[tuple[str, str, str], float]) -> dict[str, float]:
    causes: dict[str, float] = defaultdict(float)
    for (_, _, cause), value in values.items():
        if value:
            causes[cause] += value
    return dict(causes)


def _more(so_far: float | None, more: float | None, share: float) -> float | None:
    return so_far if more is None else (so_far or 0.0) + more * share


def _add(
    slots: dict[Slot, SlotSum],
    stations: dict[tuple[str, str, str], Cost],
    place: tuple[str, str],
    station: StationHour,
    share: float,
) -> None:
    for cause, cost in station.cost_ms.items():
        if cost and cause in LOST:
            one = stations[(*place, cause)]
            one.cost_ms += cost * share
            one.stops += station.stops.get(cause, 0) * share
    for name, slot in station.slots.items():
        sum_ = slots[(*place, name)]
        sum_.part, sum_.kind = slot.part or sum_.part, slot.kind or sum_.kind
        sum_.placed += slot.placed * share
        sum_.lost += (slot.lost or 0) * share
        sum_.cost_ms += slot.cost_ms * share
        sum_.stops += slot.stops * share
