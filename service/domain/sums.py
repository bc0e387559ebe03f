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


@dataclass(slots=True)
class SlotSum:
    part: str | None = None
    kind: str | None = None
    placed: float = 0.0
    lost: float = 0.0
    stood_ms: float = 0.0
    stops: float = 0.0


@dataclass(slots=True)
class Sums:
    """``stood_ms`` and ``stops`` by cause, of the causes that a station answers for itself. ``messages``
    ``None``: of no hour they are known."""

    stood_ms: Mapping[str, float] = field(default_factory=dict)
    stops: Mapping[str, float] = field(default_factory=dict)
    slots: Mapping[Slot, SlotSum] = field(default_factory=dict)
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
    stood: dict[str, float] = defaultdict(float)
    stops: dict[str, float] = defaultdict(float)
    slots: dict[Slot, SlotSum] = defaultdict(SlotSum)
    sums = Sums(stood, stops, slots)
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
            _add(stood, stops, slots, (hour.line, name), station, share)
    return sums


def _more(so_far: float | None, more: float | None, share: float) -> float | None:
    return so_far if more is None else (so_far or 0.0) + more * share


def _add(
    stood: dict[str, float],
    stops: dict[str, float],
    slots: dict[Slot, SlotSum],
    place: tuple[str, str],
    station: StationHour,
    share: float,
) -> None:
    for cause in OWN:
        for into, what in ((stood, station.stood_ms), (stops, station.stops)):
            if cause in what:
                into[cause.value] += what[cause] * share
    for name, slot in station.slots.items():
        one = slots[(*place, name)]
        one.part, one.kind = slot.part or one.part, slot.kind or one.kind
        one.placed += slot.placed * share
        one.lost += (slot.lost or 0) * share
        one.stood_ms += slot.stood_ms * share
        one.stops += slot.stops * share


def are_whole(hours: Iterable[LineHour], since: Instant, until: Instant) -> bool:
    """Whether there are figures of every hour that the time has a part in."""
    there = {each.begin for each in hours}
    return all(begin in there for begin in range(since // HOUR * HOUR, until, HOUR))
