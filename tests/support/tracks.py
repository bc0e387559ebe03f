"""A line of stations as it would be heard, and how it really went: panels pass from one to the next, a
station is held where there is no room, waits where nothing comes, and stands where a story says so.

No chance: every panel takes its takt. All moments are seconds from ``START``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from service.domain.model import SECOND, Instant
from service.domain.policy import Policy
from service.domain.track import (
    Cause,
    Counted,
    LineTrack,
    LinkShown,
    OrderSet,
    RecipeSet,
    StationTrack,
    Stretch,
    Supplied,
    TowerShown,
    Track,
    Used,
)
from tests.support.story import START

Place = tuple[str, int]
"""A station, and one of its panels, from 1."""
Times = dict[Place, float]
PARTS = 10
"""Of slot ``F1`` for each panel."""


@dataclass(kw_only=True)
class MadeLine:
    """``fault`` and ``out`` stand in the middle of a panel, ``exchange`` before one, for so many seconds;
    ``pause`` keeps the first station from beginning a panel. ``room``: panels that fit between two."""

    stations: tuple[str, ...] = ("P1", "P2", "P3")
    panels: int = 60
    takt: float = 20.0
    room: int = 2
    fault: Mapping[Place, float] = field(default_factory=dict)
    out: Mapping[Place, float] = field(default_factory=dict)
    exchange: Mapping[Place, float] = field(default_factory=dict)
    pause: Mapping[int, float] = field(default_factory=dict)
    towers: bool = True
    orders: Sequence[OrderSet] = ()
    policy: Policy = field(default_factory=Policy)

    def __post_init__(self) -> None:
        self.begun: Times = {}
        self.done: Times = {}
        self.left: Times = {}
        for panel in range(1, self.panels + 1):
            for number, name in enumerate(self.stations):
                self._make(number, name, panel)
        # Whether a panel can leave depends on the next station, which needs it first.
        for _ in range(self.panels * len(self.stations)):
            before = dict(self.left)
            for panel in range(1, self.panels + 1):
                for number, name in enumerate(self.stations):
                    self._make(number, name, panel)
            if before == self.left:
                return

    def _make(self, number: int, name: str, panel: int) -> None:
        free = self.left.get((name, panel - 1), 0.0)
        came = self.left[self.stations[number - 1], panel] if number else 0.0
        free += self.exchange.get((name, panel), 0.0)
        ready = max(free, came) if number else free + self.pause.get(panel, 0.0)
        place = name, panel
        self.begun[place] = ready
        self.done[place] = ready + self.takt + self.fault.get(place, 0.0) + self.out.get(place, 0.0)
        self.left[place] = self.done[place]
        if number + 1 < len(self.stations):
            taken = self.begun.get((self.stations[number + 1], panel - self.room), 0.0)
            self.left[place] = max(self.done[place], taken)

    @property
    def until(self) -> float:
        return max(self.done.values()) + 1.0

    def track(self, *, until: float | None = None) -> Track:
        line = LineTrack(line="L1", orders=list(self.orders))
        line.stations = {name: self._station(name) for name in self.stations}
        end = self.until if until is None else until
        return Track(since=START, until=at(end), lines={"L1": line}, policies=[(START, self.policy)])

    def _station(self, name: str) -> StationTrack:
        station = StationTrack(
            line="L1", station=name, parts={"F1": ("R-10K", "tape"), "T1": ("MCU", "tray")}
        )
        station.recipes = [RecipeSet(at=START, recipe="R", usage={"F1": PARTS, "T1": 1})]
        if self.towers:
            station.towers = [tower(0.0, "running", green="on")]
        for panel in range(1, self.panels + 1):
            self._tell(station, (name, panel))
        station.towers.sort(key=lambda shown: shown.at)
        station.counts.sort(key=lambda row: row.at)
        return station

    def _tell(self, station: StationTrack, place: Place) -> None:
        panel, begun, placed = place[1], self.begun[place], PARTS
        if place in self.out:
            out = begun + self.takt / 2
            station.counts.append(count(out, panel - 1, placed // 2))
            placed -= placed // 2
            self._show(
                station, out, out + self.out[place], tower(out, "out", yellow="flashing", slots=("F1",))
            )
            station.supplies.append(loaded(out + self.out[place], "F1", left=0))
        if place in self.fault:
            self._show(station, begun, begun + self.fault[place], tower(begun, "fault", red="on"))
        if place in self.exchange:
            since = begun - self.exchange[place]
            self._show(station, since, begun, tower(since, "none", green="flashing"))
            station.supplies.append(loaded(begun, "T1", left=12))
        station.counts.append(count(self.done[place], panel, placed))

    def _show(self, station: StationTrack, since: float, until: float, shown: TowerShown) -> None:
        if self.towers and until > since:
            station.towers += [shown, tower(until, "running", green="on")]


def at(seconds: float) -> Instant:
    return START + round(seconds * SECOND)


def count(seconds: float, panels: int, placed: int) -> Counted:
    return Counted(at=at(seconds), panels=panels, used={"F1": Used(placed=placed, lost=0)})


def tower(seconds: float, reading: str, *, slots: tuple[str, ...] = (), **lamps: str) -> TowerShown:
    return TowerShown(at=at(seconds), reading=reading, lamps=lamps, slots=slots)


def link(seconds: float, state: str) -> LinkShown:
    return LinkShown(at=at(seconds), state=state)


def loaded(seconds: float, slot: str, *, left: int | None = None) -> Supplied:
    part, kind = ("MCU", "tray") if slot.startswith("T") else ("R-10K", "tape")
    return Supplied(
        at=at(seconds),
        slot=slot,
        change="loaded",
        part=part,
        kind=kind,
        lot=None,
        left=left,
    )


def ordered(seconds: float, order: str, state: str) -> OrderSet:
    return OrderSet(at=at(seconds), order=order, recipe="R", panels=30, state=state)


def stood(stretches: Sequence[Stretch]) -> list[tuple[Cause, float, float]]:
    """Each stop with its begin and end in seconds."""
    return [
        (each.stop.cause, seconds(each.since), seconds(each.until))
        for each in stretches
        if each.stop is not None
    ]


def seconds(moment: Instant) -> float:
    return round((moment - START) / SECOND, 1)
