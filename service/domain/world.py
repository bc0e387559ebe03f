"""All that is remembered, in memory, by its single owner: states, the sights derived from them, indexes.

Says which keys an event touched, so that a commit writes those only, and can put a key back to what was
committed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from heapq import heappush

import msgspec

from service.domain.lots import Stays
from service.domain.memory import Memory
from service.domain.model import Instant, Notice, shared
from service.domain.notices import is_live
from service.domain.policy import Policy
from service.domain.sight import Sight, look, name_what_is_usual
from service.domain.state import (
    SITE_KEY,
    LineState,
    SlotState,
    Standing,
    StationState,
    SupplyState,
    line_key,
    notice_key,
    station_key,
    supply_key,
)
from service.domain.word import Word

Place = tuple[str, str]
SlotPlace = tuple[str, str, str]
_encode = msgspec.msgpack.Encoder().encode
_stations = msgspec.msgpack.Decoder(StationState)
_lines = msgspec.msgpack.Decoder(LineState)
_supplies = msgspec.msgpack.Decoder(SupplyState)
_standing = msgspec.msgpack.Decoder(Standing)
_policies = msgspec.msgpack.Decoder(Policy)
_READ_ORDER = {
    **dict.fromkeys(("site", "law", "record", "elsewhere"), 0),
    "line": 1,
    "station": 2,
    "supply": 2,
    "stays": 2,
    "run": 2,
    "notice": 3,
    "gateway": 4,  # what translators remember, which is no part of the world
}


def _rank(key: str) -> int:
    return _READ_ORDER[key.partition("/")[0]]


@dataclass(slots=True)
class World:
    """``watched`` names the slots of a station whose notice is live, ``notices`` the place of each notice
    that a slot still has; ``standing`` are the notices that aren't about a slot's emptying, by id, and
    ``standing_at`` their ids by station; ``aging``: when the floor life of what is in a slot must be looked
    at again; ``touched`` the keys changed since ``take_changes``, also of ``memory`` and ``stays``;
    ``word`` is what other shards are to be told."""

    policy: Policy = field(default_factory=Policy)
    lines: dict[str, LineState] = field(default_factory=dict)
    stations: dict[Place, StationState] = field(default_factory=dict)
    supplies: dict[str, SupplyState] = field(default_factory=dict)
    used_up: list[tuple[Instant, str]] = field(default_factory=list, compare=False)
    sights: dict[Place, dict[str, Sight]] = field(default_factory=dict)
    watched: dict[Place, set[str]] = field(default_factory=dict)
    notices: dict[str, SlotPlace] = field(default_factory=dict)
    noted: dict[SlotPlace, str] = field(default_factory=dict)
    standing: dict[str, Standing] = field(default_factory=dict)
    standing_at: dict[Place, set[str]] = field(default_factory=dict)
    aging: dict[SlotPlace, Instant] = field(default_factory=dict)
    memory: Memory = field(default_factory=Memory)
    stays: Stays = field(default_factory=Stays)
    touched: set[str] = field(default_factory=set)
    word: Word = field(default_factory=Word)

    def __post_init__(self) -> None:
        self.memory.touched = self.stays.touched = self.touched
        self.memory.word = self.word

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
            running = self.line(line).running_order
            if running is not None:
                station.order = running.name
                station.order_start_seen = running.start_seen
        self.touched.add(station_key(line, name))
        return station

    def slot(self, station: StationState, name: str) -> SlotState:
        slot = station.slots.get(name)
        if slot is None:
            slot = station.slots[name] = SlotState(name=name)
            sight = self.look(station, slot)
            if name_what_is_usual(slot, sight.rule):
                self.look(station, slot)
        return slot

    def know(self, supply: SupplyState) -> None:
        """Put it where it is found, and where it is found to be used up."""
        self.supplies[supply.name] = supply
        if supply.is_used_up and supply.at is not None:
            heappush(self.used_up, (supply.at, supply.name))

    def sights_of(self, station: StationState) -> dict[str, Sight]:
        return self.sights[station.line, station.station]

    def look(self, station: StationState, slot: SlotState) -> Sight:
        """A new sight of one slot, after anything that it derives from changed."""
        sight = look(self.line(station.line), station, slot, self.policy, self.memory)
        self.sights_of(station)[slot.name] = sight
        return sight

    def sight(self, station: StationState, slot: SlotState) -> Sight:
        """The sight of a slot; where more was learned since, its own and its mates' are taken anew."""
        sights = self.sights_of(station)
        for name in (*sights[slot.name].group, slot.name):
            if name in station.slots and sights[name].is_stale:
                self.look(station, station.slots[name])
        return sights[slot.name]

    def look_again(self, station: StationState) -> None:
        for slot in station.slots.values():
            self.look(station, slot)

    def stations_of(self, line: str) -> list[StationState]:
        return [self.stations[place] for place in sorted(each for each in self.stations if each[0] == line)]

    def note(self, station: StationState, slot: SlotState) -> None:
        """Keep the indexes right after a slot's notice changed."""
        place = (station.line, station.station)
        before = self.noted.get((*place, slot.name))
        now = None if slot.notice is None else slot.notice.id
        if before is not None and before != now:
            del self.notices[before], self.noted[*place, slot.name]
        if now is not None:
            self.notices[now] = (*place, slot.name)
            self.noted[*place, slot.name] = now
        if is_live(slot.notice):
            self.watched[place].add(slot.name)
        else:
            self.watched[place].discard(slot.name)
        if slot.age_at is not None:
            self.aging[*place, slot.name] = slot.age_at
        else:
            self.aging.pop((*place, slot.name), None)

    def stand(self, standing: Standing) -> None:
        """Keep a notice of its own as it is now, or forget it once it has ended."""
        notice = standing.notice
        if notice is None:
            return
        self.touched.add(notice_key(notice.id))
        if is_live(notice):
            self._keep(standing, notice)
        else:
            self._leave(notice.id)

    def _keep(self, standing: Standing, notice: Notice) -> None:
        self.standing[notice.id] = standing
        self.standing_at.setdefault((notice.line or "", notice.station or ""), set()).add(notice.id)

    def _leave(self, name: str) -> None:
        standing = self.standing.pop(name, None)
        if standing is not None and standing.notice is not None:
            place = (standing.notice.line or "", standing.notice.station or "")
            self.standing_at[place].discard(name)
            if not self.standing_at[place]:
                del self.standing_at[place]

    def touch_all(self) -> None:
        self.touched |= {SITE_KEY, *map(line_key, self.lines), *map(supply_key, self.supplies)}
        self.touched |= {station_key(*place) for place in self.stations}
        self.touched |= {*map(notice_key, self.standing), *self.memory.keys(), *self.stays.keys()}

    def take_changes(self) -> dict[str, bytes | None]:
        """The touched states, encoded; nothing is touched afterwards."""
        changes = {key: self._encoded(key) for key in self.touched}
        self.touched.clear()
        return changes

    def restore(self, keys: Iterable[str], committed: Mapping[str, bytes]) -> None:
        """Put states back to what was committed (or to nothing)."""
        self.stays.drop_changes()
        self.word.clear()
        # What hangs on something goes before it and comes back after it.
        wanted = sorted(keys, key=_rank)
        for key in reversed(wanted):
            if key not in committed:
                self._forget(key)
        for key in wanted:
            if key in committed:
                self._read(key, committed[key])
        if any(_rank(key) == 0 for key in wanted):
            self.memory.derive_anew()
            for station in self.stations.values():
                self.look_again(station)
        self.touched.difference_update(wanted)

    @classmethod
    def from_states(cls, states: Mapping[str, bytes], memory: Memory | None = None) -> World:
        """``memory``: where the laws come from when they are not among the states."""
        world = cls(memory=memory or Memory())
        # Settings and lines first: the sights of a station need them.
        for key in sorted(states, key=_rank):
            world._read(key, states[key])
        world.touched.clear()
        return world

    def change_policy(self, policy: Policy) -> None:
        self._see_under(policy)
        self.touched.add(SITE_KEY)
        for place, station in self.stations.items():
            named = [
                name_what_is_usual(slot, self.sights[place][slot.name].rule)
                for slot in station.slots.values()
            ]
            if any(named):
                self.touched.add(station_key(*place))
                self.look_again(station)

    def _see_under(self, policy: Policy) -> None:
        self.policy = policy
        for station in self.stations.values():
            self.look_again(station)

    def adopt(self, station: StationState) -> None:
        """Take in a station as it is, with its sights and indexes."""
        place = (station.line, station.station)
        self._drop(place)
        self.stations[place] = station
        self.sights[place] = {}
        self.watched[place] = set()
        self.look_again(station)
        for slot in station.slots.values():
            self.note(station, slot)

    def _read(self, key: str, data: bytes) -> None:
        match key.partition("/")[0]:
            case "site":
                self._see_under(_policies.decode(data))
            case "station":
                self.adopt(_shared(_stations.decode(data)))
            case "law" | "record" | "elsewhere":
                self.memory.read(key, data)
            case "line":
                line = _lines.decode(data)
                self.lines[line.line] = line
                for station in self.stations_of(line.line):
                    self.look_again(station)
            case "supply":
                self.know(_supplies.decode(data))
            case "stays" | "run":
                self.stays.read(key, data)
            case "notice":
                standing = _standing.decode(data)
                if standing.notice is not None:
                    self._keep(standing, standing.notice)

    def _forget(self, key: str) -> None:
        kind, _, rest = key.partition("/")
        match kind:
            case "site":
                self._see_under(Policy())
            case "station":
                line, _, name = rest.partition("/")
                self._drop((line, name))
            case "law" | "record" | "elsewhere":
                self.memory.forget(key)
            case "line":
                self.lines.pop(rest, None)
            case "supply":
                self.supplies.pop(rest, None)
            case "stays" | "run":
                self.stays.forget(key)
            case "notice":
                self._leave(rest)

    def _drop(self, place: Place) -> None:
        """Forget a station with its sights and indexes."""
        station = self.stations.pop(place, None)
        if station is None:
            return
        del self.sights[place], self.watched[place]
        for name in station.slots:
            self.aging.pop((*place, name), None)
            notice = self.noted.pop((*place, name), None)
            if notice is not None:
                del self.notices[notice]

    def _encoded(self, key: str) -> bytes | None:
        kind, _, rest = key.partition("/")
        state: object
        if kind in ("law", "record", "elsewhere"):
            return self.memory.encoded(key)
        if kind in ("stays", "run"):
            return self.stays.encoded(key)
        if kind == "notice":
            state = self.standing.get(rest)
        elif kind == "site":
            state = self.policy
        elif kind == "station":
            line, _, name = rest.partition("/")
            state = self.stations[line, name]
        elif kind == "line":
            state = self.lines[rest]
        else:
            state = self.supplies.get(rest)
        return None if state is None else _encode(state)


def _shared(station: StationState) -> StationState:
    """With one text for each name: those of 45,000 slots, their kinds and parts take 10 MB."""
    for slot in station.slots.values():
        slot.name = shared(slot.name)
        slot.kind = None if slot.kind is None else shared(slot.kind)
        slot.part = None if slot.part is None else shared(slot.part)
    station.slots = {slot.name: slot for slot in station.slots.values()}
    return station


def touch_supply(world: World, supply: SupplyState) -> None:
    world.supplies[supply.name] = supply
    world.touched.add(supply_key(supply.name))
    world.word.changed.add(supply.name)


def touch_line(world: World, line: LineState) -> None:
    world.touched.add(line_key(line.line))
