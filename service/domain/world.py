"""All that is remembered, in memory, by its single owner: states, the sights derived from them, indexes.

Says which keys an event touched, so that a commit writes those only, and can put a key back to what was
committed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import msgspec

from service.domain.notices import is_live
from service.domain.policy import Policy
from service.domain.sight import Sight, look
from service.domain.state import (
    SITE_KEY,
    LineState,
    SlotState,
    StationState,
    SupplyState,
    line_key,
    station_key,
    supply_key,
)

Place = tuple[str, str]
_encode = msgspec.msgpack.Encoder().encode
_stations = msgspec.msgpack.Decoder(StationState)
_lines = msgspec.msgpack.Decoder(LineState)
_supplies = msgspec.msgpack.Decoder(SupplyState)
_policies = msgspec.msgpack.Decoder(Policy)
_READ_ORDER = {"site": 0, "line": 1, "station": 2, "supply": 2}


def read_station(data: bytes) -> StationState:
    return _stations.decode(data)


def read_line(data: bytes) -> LineState:
    return _lines.decode(data)


@dataclass(slots=True)
class World:
    """``watched`` names the slots of a station whose notice is live; ``touched`` the keys changed since
    ``take_changes``."""

    policy: Policy = field(default_factory=Policy)
    lines: dict[str, LineState] = field(default_factory=dict)
    stations: dict[Place, StationState] = field(default_factory=dict)
    supplies: dict[str, SupplyState] = field(default_factory=dict)
    sights: dict[Place, dict[str, Sight]] = field(default_factory=dict)
    watched: dict[Place, set[str]] = field(default_factory=dict)
    notices: dict[str, tuple[str, str, str]] = field(default_factory=dict)
    touched: set[str] = field(default_factory=set)

    def line(self, name: str) -> LineState:
        line = self.lines.get(name)
        if line is None:
            line = self.lines[name] = LineState(line=name)
            self.touched.add(line_key(name))
        return line

    def station(self, line: str, name: str) -> StationState:
        """The station, made when first heard of; an order that began in our hearing began there too."""
        station = self.stations.get((line, name))
        if station is None:
            station = StationState(line=line, station=name)
            self.adopt(station)
            running = self.line(line)
            if running.running is not None:
                station.order = running.running
                station.order_start_seen = running.orders[running.running].start_seen
        self.touched.add(station_key(line, name))
        return station

    def slot(self, station: StationState, name: str) -> SlotState:
        slot = station.slots.get(name)
        if slot is None:
            slot = station.slots[name] = SlotState(name=name)
            sight = self.look(station, slot)
            slot.kind, slot.part = sight.rule.kind, sight.rule.part
            if slot.kind is not None:
                self.look(station, slot)
        return slot

    def sights_of(self, station: StationState) -> dict[str, Sight]:
        return self.sights[station.line, station.station]

    def look(self, station: StationState, slot: SlotState) -> Sight:
        """A new sight of one slot, after anything that it derives from changed."""
        sight = look(self.line(station.line), station, slot, self.policy)
        self.sights_of(station)[slot.name] = sight
        return sight

    def look_again(self, station: StationState) -> None:
        for slot in station.slots.values():
            self.look(station, slot)

    def stations_of(self, line: str) -> list[StationState]:
        return [station for (name, _), station in self.stations.items() if name == line]

    def note(self, station: StationState, slot: SlotState) -> None:
        """Keep the indexes right after a slot's notice changed."""
        place = (station.line, station.station)
        if slot.notice is not None and is_live(slot.notice):
            self.watched.setdefault(place, set()).add(slot.name)
            self.notices[slot.notice.id] = (*place, slot.name)
            return
        if slot.notice is not None:
            self.notices[slot.notice.id] = (*place, slot.name)
        self.watched.get(place, set()).discard(slot.name)

    def touch_all(self) -> None:
        self.touched |= {SITE_KEY, *map(line_key, self.lines), *map(supply_key, self.supplies)}
        self.touched |= {station_key(*place) for place in self.stations}

    def take_changes(self) -> dict[str, bytes | None]:
        """The touched states, encoded; nothing is touched afterwards."""
        changes = {key: self._encoded(key) for key in self.touched}
        self.touched.clear()
        return changes

    def restore(self, keys: Iterable[str], committed: Mapping[str, bytes]) -> None:
        """Put states back to what was committed (or to nothing)."""
        for key in keys:
            self.touched.discard(key)
            data = committed.get(key)
            if data is None:
                self._forget(key)
            else:
                self._read(key, data)

    @classmethod
    def from_states(cls, states: Mapping[str, bytes]) -> World:
        world = cls()
        # Settings and lines first: the sights of a station need them.
        for key in sorted(states, key=lambda key: _READ_ORDER[key.partition("/")[0]]):
            world._read(key, states[key])
        world.touched.clear()
        return world

    def change_policy(self, policy: Policy) -> None:
        self.policy = policy
        self.touched.add(SITE_KEY)
        for station in self.stations.values():
            self.look_again(station)

    def adopt(self, station: StationState) -> None:
        """Take in a station as it is, with its sights and indexes."""
        place = (station.line, station.station)
        self.stations[place] = station
        self.sights[place] = {}
        self.watched[place] = set()
        self.look_again(station)
        for slot in station.slots.values():
            self.note(station, slot)

    def _read(self, key: str, data: bytes) -> None:
        match key.partition("/")[0]:
            case "site":
                self.policy = _policies.decode(data)
                for station in self.stations.values():
                    self.look_again(station)
            case "station":
                self.adopt(read_station(data))
            case "line":
                line = read_line(data)
                self.lines[line.line] = line
                for station in self.stations_of(line.line):
                    self.look_again(station)
            case "supply":
                supply = _supplies.decode(data)
                self.supplies[supply.name] = supply

    def _forget(self, key: str) -> None:
        kind, _, rest = key.partition("/")
        match kind:
            case "site":
                self.policy = Policy()
            case "station":
                line, _, name = rest.partition("/")
                for table in (self.stations, self.sights, self.watched):
                    table.pop((line, name), None)
            case "line":
                self.lines.pop(rest, None)
            case "supply":
                self.supplies.pop(rest, None)

    def _encoded(self, key: str) -> bytes | None:
        kind, _, rest = key.partition("/")
        state: object
        if kind == "site":
            state = self.policy
        elif kind == "station":
            line, _, name = rest.partition("/")
            state = self.stations[line, name]
        elif kind == "line":
            state = self.lines[rest]
        else:
            state = self.supplies[rest]
        return _encode(state)


def touch_supply(world: World, supply: SupplyState) -> None:
    world.supplies[supply.name] = supply
    world.touched.add(supply_key(supply.name))


def touch_line(world: World, line: LineState) -> None:
    world.touched.add(line_key(line.line))
