"""Hourly figures added up over a stretch of time: a shift, a week.

An hour that lies in it in part counts by that part, as if what happened in it had happened evenly: shifts
seldom begin in the middle of an hour, and what is kept for ever can't be finer.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from service.domain.hourly import HOUR, OWN, LineHour, StationHour
from service.domain.model import Instant

Slot = tuple[str, str, str]
"""Line, station, slot."""


@dataclass(slots=True)
class SlotSum:
    part: str | None = None
    kind: str | None = None
    placed: float = 0.0
    lost: float = 0.0
    stood_ms: float = 0.0
    stops: float = 0.0


@dataclass(slots=True)
class Stood:
    stood_ms: float = 0.0
    stops: float = 0.0


@dataclass(slots=True)
class Sums:
    """``stood_ms`` and ``stops`` by cause, of the causes that a station answers for itself; ``stations`` by
    line, station and cause. ``messages`` ``None``: of no hour they are known."""

    stood_ms: Mapping[str, float] = field(default_factory=dict)
    stops: Mapping[str, float] = field(default_factory=dict)
    slots: Mapping[Slot, SlotSum] = field(default_factory=dict)
    stations: Mapping[tuple[str, str, str], Stood] = field(default_factory=dict)
    worked_ms: float = 0.0
    panels: float | None = None
    opened: float = 0.0
    in_time: float = 0.0
    late: float = 0.0
    missed: float = 0.0
    messages: float | None = None

    @property
    def lost_ms(self) -> float:
        """All that the line stood for what its stations answer for themselves."""
        return sum(self.stood_ms.values())


def summed(hours: Iterable[LineHour], since: Instant, until: Instant) -> Sums:
    """Of the hours that overlap the time."""
    slots: dict[Slot, SlotSum] = defaultdict(SlotSum)
    stations: dict[tuple[str, str, str], Stood] = defaultdict(Stood)
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
    sums.stood_ms = _by_cause({key: each.stood_ms for key, each in stations.items()})
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
    stations: dict[tuple[str, str, str], Stood],
    place: tuple[str, str],
    station: StationHour,
    share: float,
) -> None:
    for cause in (station.stood_ms.keys() | station.stops.keys()) & OWN:
        stood = stations[(*place, str(cause))]
        stood.stood_ms += station.stood_ms.get(cause, 0) * share
        stood.stops += station.stops.get(cause, 0) * share
    for name, slot in station.slots.items():
        one = slots[(*place, name)]
        one.part, one.kind = slot.part or one.part, slot.kind or one.kind
        one.placed += slot.placed * share
        one.lost += (slot.lost or 0) * share
        one.stood_ms += slot.stood_ms * share
        one.stops += slot.stops * share
