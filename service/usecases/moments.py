"""The road ahead of each line as it was, moment after moment: what a review's slider goes through.

``Moments`` looks on while a time is observed: every five minutes (in a long time more seldom), and when a
tower says that a supply is out. Of each moment the slots that end soonest are kept, in few bytes::

    [{"line", "stations": [name],
      "slots": [{"station", "slot", "part"}],
      "moments": [{"at", "out": station | null,          # whose tower just said so
                   "takt_seconds" | null, "end" | null,  # panels to the end of the order
                   "lead" | null, "open",                # panels asked for; notices open
                   "towers": [reading | null],           # of each of ``stations``
                   "stops": [[panels, [slot]]],          # planned, ``slot`` by its place in ``slots``
                   "rows": [[slot, p05, p50, p95, level, chance]]}]}]

``level``: ``ok``, ``early``, ``urgent``, ``empty``; panels count from the moment on. What idles or isn't
known has no row.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from math import inf
from typing import Any

from service.domain import judge
from service.domain.events import JournalEntry
from service.domain.floods import MINUTE
from service.domain.judge import Case
from service.domain.model import SECOND, Instant, Level, PlannedStop, to_rfc3339
from service.domain.notices import Told
from service.domain.outcome import forecast, starves
from service.domain.state import LineState, SlotState, StationState
from service.domain.tower import Reading
from service.domain.world import World

Json = dict[str, Any]
EVERY = 5 * MINUTE
MOST = 100
"""Moments of each kind that are kept of a line; with more every second one is dropped."""
ROWS = 10
_AT_ONCE = 600
"""Slots that are reckoned together: what is asked of them is kept no longer than that takes."""
_LEVELS: dict[Level | None, str] = {None: "ok", **{level: level.value for level in Level}}


@dataclass(slots=True)
class Moments:
    lines: dict[str, _Line] = field(default_factory=dict)
    _asked: list[tuple[list[Any], Case]] = field(default_factory=list)

    def look(self, world: World, at: Instant, entry: JournalEntry, told: list[Told]) -> None:
        for name in world.lines if world.lines.keys() - self.lines.keys() else ():
            self.lines.setdefault(name, _Line(name, at, at))
        for line in self.lines.values():
            if at >= line.due:
                line.keep(self._moment(world, line, at, None), at)
        if entry.kind == "tower":
            self._look_at_towers(world, at)

    def _look_at_towers(self, world: World, at: Instant) -> None:
        for (name, station), state in world.stations.items():
            line, shown = self.lines.get(name), state.tower
            is_out = shown is not None and shown.reading == Reading.OUT
            if line is None or is_out == (station in line.out):
                continue
            line.out ^= {station}
            if is_out:
                line.keep_out(self._moment(world, line, at, station))

    def _moment(self, world: World, line: _Line, at: Instant, out: str | None) -> Json:
        state, stations = world.lines[line.name], world.stations_of(line.name)
        line.stations |= dict.fromkeys(each.station for each in stations)
        soonest = sorted(_roughly(world, stations), key=lambda each: each[:3])[:ROWS]
        rows, cases = [], []
        for _, _, _, station, slot in soonest:
            row, case = self._row(world, line, state, station, slot)
            if row is not None:
                rows.append(row)
                cases.append(case)
        if len(self._asked) >= _AT_ONCE:
            self._reckon()
        takts = [takt for each in stations if (takt := judge.takt_of(each)) is not None]
        towers = {each.station: each.tower.reading for each in stations if each.tower is not None}
        return {
            "at": to_rfc3339(at),
            "out": out,
            "takt_seconds": round(max(takts), 3) if takts else None,
            "end": _shared([case.needed for case in cases if case is not None]),
            "lead": _shared([judge.lead_of(world.sights_of(e[3])[e[4].name], e[3]) for e in soonest]),
            "open": sum(place[0] == line.name for place in world.notices.values()),
            "towers": towers,
            "stops": _stops(line, state, stations, at, takts),
            "rows": rows,
        }

    def _row(
        self, world: World, line: _Line, state: LineState, station: StationState, slot: SlotState
    ) -> tuple[list[Any] | None, Case | None]:
        sights = world.sights_of(station)
        sight = sights[slot.name]
        place = line.place(station.station, slot.name, sight.part)
        if starves(station, slot, sight):
            return [place, 0, 0, 0, "empty", 1.0], None
        case = judge.case_of(state, station, slot, sights)
        if case is None:
            return None, None
        chance = case.chance_within(judge.lead_of(sight, station))
        level = judge.level_of(case, sight.limits, chance)
        row: list[Any] = [place, 0, 0, 0, _LEVELS[level], round(chance, 4)]
        self._asked.append((row, case))
        return row, case

    def _reckon(self) -> None:
        spreads = forecast([case for _, case in self._asked]) if self._asked else []
        for (row, _), panels in zip(self._asked, spreads, strict=True):
            row[1:4] = panels.p05, panels.p50, panels.p95
        self._asked.clear()

    def objects(self) -> list[Json]:
        """As above, the lines by name."""
        self._reckon()
        return [self.lines[name].shown() for name in sorted(self.lines)]


@dataclass(slots=True)
class _Line:
    """``out``: the stations whose towers say that a supply is."""

    name: str
    begin: Instant
    due: Instant
    every: Instant = EVERY
    stations: dict[str, None] = field(default_factory=dict)
    places: dict[tuple[str, str, str | None], int] = field(default_factory=dict)
    moments: list[Json] = field(default_factory=list)
    outs: list[Json] = field(default_factory=list)
    out: set[str] = field(default_factory=set)

    def place(self, station: str, slot: str, part: str | None) -> int:
        return self.places.setdefault((station, slot, part), len(self.places))

    def keep(self, moment: Json, at: Instant) -> None:
        self.moments.append(moment)
        if len(self.moments) > MOST:
            del self.moments[1::2]
            self.every *= 2
        self.due = self.begin + ((at - self.begin) // self.every + 1) * self.every

    def keep_out(self, moment: Json) -> None:
        self.outs.append(moment)
        if len(self.outs) > MOST:
            del self.outs[1::2]

    def shown(self) -> Json:
        moments = sorted([*self.moments, *self.outs], key=lambda each: each["at"])
        for each in moments:
            each["rows"].sort(key=lambda row: (row[2] if row[4] != "empty" else -1, row[1], row[0]))
        return {
            "line": self.name,
            "stations": list(self.stations),
            "slots": [{"station": s, "slot": slot, "part": part} for s, slot, part in self.places],
            "moments": [
                each | {"towers": [each["towers"].get(name) for name in self.stations]} for each in moments
            ],
        }


_Rough = tuple[float, str, str, StationState, SlotState]


def _roughly(world: World, stations: list[StationState]) -> Iterator[_Rough]:
    """The slots that work, each with about how many panels it lasts: only to say which are the soonest."""
    for station in stations:
        sights = world.sights_of(station)
        for slot in station.slots.values():
            sight = sights[slot.name]
            out = slot.out_since is not None
            if out or (sight.usage and not sight.idle and slot.book is not None):
                lasts = -inf if out else (slot.book or 0) / (sight.usage or 1.0)
                yield lasts, station.station, slot.name, station, slot


def _stops(
    line: _Line, state: LineState, stations: list[StationState], at: Instant, takts: list[float]
) -> list[list[Any]]:
    """The planned ones that are still ahead, in panels from now."""
    if state.plan is None:
        return []
    found = [(_ahead(stop, stations, at, takts), stop) for stop in state.plan.stops]
    parts = {(station, slot): number for (station, slot, _), number in line.places.items()}
    return [
        [panels, [parts[key] for each in stop.exchanges if (key := (each.station, each.slot)) in parts]]
        for panels, stop in found
        if panels is not None and panels >= 0
    ]


def _ahead(stop: PlannedStop, stations: list[StationState], at: Instant, takts: list[float]) -> int | None:
    if stop.rest is not None:
        return round((stop.rest - at) / SECOND / max(takts)) if takts else None
    return min(
        (stop.at[each.station] - each.progress for each in stations if each.station in stop.at), default=None
    )


def _shared(values: list[int | None]) -> int | None:
    return values[0] if len(set(values)) == 1 else None
