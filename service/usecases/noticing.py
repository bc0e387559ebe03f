"""What one entry after another changes in a world, written down as a ``Track``.

``expect`` is asked before an entry is applied and gives what to do when it was: by then some of what it
changed isn't known any more.
"""

from __future__ import annotations

from bisect import insort
from collections import Counter
from collections.abc import Callable
from functools import partial
from operator import attrgetter

from service.domain import clock
from service.domain.events import (
    CountMessage,
    JournalEntry,
    LinkMessage,
    OrderMessage,
    PersonAct,
    SupplyMessage,
    TowerMessage,
)
from service.domain.heard import SourceClock, TowerState
from service.domain.history import MOST_OUTCOMES, Outcome, record_key
from service.domain.model import Instant, from_datetime
from service.domain.named import slot_of
from service.domain.notices import Told
from service.domain.orders import ENDED
from service.domain.sight import ruling_recipe
from service.domain.state import Order, SlotState, StationState
from service.domain.track import (
    Acted,
    LineTrack,
    LinkShown,
    OrderSet,
    RecipeSet,
    StationTrack,
    Supplied,
    TowerShown,
    Track,
)
from service.domain.world import Place, World
from service.usecases.counts import Before, Rows, look
from service.wire.journal import FLOOR, read_entry
from service.wire.native import Address

_AT = attrgetter("at")
Then = Callable[[], None]


class Noticing:
    """``track`` is complete after ``finish``."""

    def __init__(self, world: World, track: Track) -> None:
        self.world, self.track = world, track
        self._counts: dict[Place, Rows] = {}
        self._clocks: dict[str, SourceClock] = {}
        """Those of orders, by line."""
        self._outcomes = {key: list(each.outcomes) for key, each in world.memory.records.items()}
        self._noticed: list[tuple[str | None, Outcome]] = track.outcomes
        world.touched.clear()
        track.policies.append((track.since, world.policy))
        for line, name in sorted(world.stations):
            self._station(line, name)
        for line in sorted(world.lines):
            self._line(line)

    def expect(self, entry: JournalEntry) -> Then:
        """What to note of the entry once it has been applied."""
        if entry.kind == "settings":
            return partial(self._changed_settings, entry)
        address, message = read_entry(entry)
        match message:
            case CountMessage():
                return self._count(entry.at, address, message)
            case SupplyMessage():
                return self._supply(entry.at, address, message)
            case OrderMessage():
                return self._order(entry, address.line, message)
            case TowerMessage():
                return partial(self._tower, entry.at, address, message)
            case LinkMessage():
                return partial(self._link, entry.at, address, message)
            case PersonAct():
                act = Acted(at=entry.at, notice=message.notice, action=message.action, by=message.by)
                return partial(self.track.acts.append, act)
        if entry.kind == "recipe":
            return partial(self._recipe, address.line, str(address.station), entry.at)
        if entry.kind == "plan":
            return partial(self._plan, address.line, entry.at)
        return _nothing

    def told(self, entry: JournalEntry, told: list[Told]) -> None:
        """What people were told because of it, and what it showed of warnings before."""
        track = self.track
        track.entries += 1
        track.messages += entry.kind in FLOOR
        track.told += [(entry.at, each) for each in told]
        for key in [each for each in self.world.touched if each.startswith("record/")]:
            self._judged(key)
        self.world.touched.clear()

    def finish(self, site: str, until: Instant) -> Track:
        track = self.track
        track.site, track.until = site, until
        for place, rows in self._counts.items():
            station = self._station(*place)
            station.counts = rows.counted(station.progress)
        for (line, name), state in self.world.stations.items():
            sights, station = self.world.sights_of(state), self._station(line, name)
            station.parts = {
                slot.name: (sights[slot.name].part, slot.kind or sights[slot.name].rule.kind)
                for slot in state.slots.values()
            }
        return track

    # What is known when it begins

    def _line(self, name: str) -> LineTrack:
        line = self.track.lines.get(name)
        if line is None:
            line = self.track.lines[name] = LineTrack(line=name)
            known = self.world.lines.get(name)
            if known is not None:
                alive = [each for each in known.orders.values() if each.state not in ENDED]
                line.orders = [_order_set(each, self.track.since) for each in alive]
                line.plans = [] if known.plan is None else [(self.track.since, known.plan.stops)]
        return line

    def _station(self, line: str, name: str) -> StationTrack:
        stations = self._line(line).stations
        station = stations.get(name)
        if station is None:
            station = stations[name] = StationTrack(line=line, station=name)
            known = self.world.stations.get((line, name))
            if known is not None:
                self._adopt(station, known)
        return station

    def _adopt(self, station: StationTrack, known: StationState) -> None:
        since = self.track.since
        station.progress = known.progress
        if known.tower is not None:
            station.towers.append(_shown(known.tower, since))
        if known.link is not None:
            station.links.append(LinkShown(at=since, state=known.link))
        self._rule(station, known, since)

    # What an entry changes

    def _count(self, at: Instant, address: Address, message: CountMessage) -> Then:
        place = address.line, str(address.station)
        station = self._station(*place)
        before = look(self.world.stations.get(place), message)
        return partial(self._counted, station, at, before, message)

    def _counted(self, station: StationTrack, at: Instant, before: Before, message: CountMessage) -> None:
        place = station.line, station.station
        known = self.world.stations[place]
        moment = self._within(clock.own_moment(known, clock.COUNT, message.at, at))
        self._counts.setdefault(place, Rows()).add(before, known, message, moment)
        for name in message.slots:
            slot = known.slots[name]
            if slot.refilled_unsaid == at:
                left = before.slots[name].book if name in before.slots else None
                insort(station.supplies, _supplied(slot, moment, "believed", left), key=_AT)

    def _supply(self, at: Instant, address: Address, message: SupplyMessage) -> Then:
        place = address.line, str(address.station)
        self._station(*place)
        known = self.world.stations.get(place)
        slot = None if known is None else known.slots.get(message.slot)
        left = None if slot is None else slot.book
        named = self.world.supplies.get(message.supply or "")
        there = None if named is None else slot_of(self.world, named)
        other = None if named is None or there is None or there is slot else named.where
        books = None if there is None else there.book
        return partial(self._supplied, at, place, message, left, other, books)

    def _supplied(
        self,
        at: Instant,
        place: Place,
        message: SupplyMessage,
        left: int | None,
        other: tuple[str, str, str] | None,
        books: int | None,
    ) -> None:
        """``other`` is the slot that the supply came out of, if it was in one."""
        known = self.world.stations[place]
        slot = known.slots[message.slot]
        moment = self._within(_supply_moment(known, message, at))
        insort(self._station(*place).supplies, _supplied(slot, moment, message.change, left), key=_AT)
        if other is not None and message.change in ("loaded", "joined"):
            was = self.world.stations[other[:2]].slots[other[2]]
            insort(self._station(*other[:2]).supplies, _supplied(was, moment, "removed", books), key=_AT)

    def _order(self, entry: JournalEntry, line: str, message: OrderMessage) -> Then:
        track = self._line(line)
        before = {each.name: _order_set(each, 0) for each in self.world.line(line).orders.values()}
        moment = self._within(self._order_moment(line, entry, message))
        return partial(self._ordered, track, before, moment)

    def _ordered(self, line: LineTrack, before: dict[str, OrderSet], at: Instant) -> None:
        """The one that it is about, and those that it ended."""
        for order in self.world.line(line.line).orders.values():
            if _order_set(order, 0) != before.get(order.name):
                insort(line.orders, _order_set(order, at), key=_AT)
        for station in line.stations:
            self._recipe(line.line, station, at)

    def _order_moment(self, line: str, entry: JournalEntry, message: OrderMessage) -> Instant:
        """Retained messages come late by any time, so nothing is learned from them."""
        said = None if message.at is None else from_datetime(message.at)
        if said is None or entry.retained or not clock.believed(said, entry.at):
            return entry.at
        return clock.note(self._clocks.setdefault(line, SourceClock()), said, entry.at)

    def _tower(self, at: Instant, address: Address, message: TowerMessage) -> None:
        place = address.line, str(address.station)
        known = self.world.stations[place]
        if known.tower is not None:
            moment = self._within(clock.own_moment(known, clock.TOWER, message.at, at))
            insort(self._station(*place).towers, _shown(known.tower, moment), key=_AT)

    def _link(self, at: Instant, address: Address, message: LinkMessage) -> None:
        place = address.line, str(address.station)
        moment = clock.own_moment(self.world.stations[place], clock.LINK, message.at, at)
        insort(self._station(*place).links, LinkShown(at=self._within(moment), state=message.state), key=_AT)

    def _recipe(self, line: str, name: str, at: Instant) -> None:
        known = self.world.stations.get((line, name))
        if known is not None:
            self._rule(self._station(line, name), known, at)

    def _rule(self, station: StationTrack, known: StationState, at: Instant) -> None:
        """The recipe that rules now, where that is another than before; an order that comes late takes back
        nothing that was known meanwhile."""
        recipe = ruling_recipe(self.world.line(known.line), known)
        if recipe is None:
            return
        last = station.recipes[-1] if station.recipes else None
        if last is None or (last.recipe, last.usage) != (recipe.name, recipe.usage):
            since = at if last is None else max(at, last.at)
            station.recipes.append(RecipeSet(at=since, recipe=recipe.name, usage=recipe.usage))

    def _plan(self, line: str, at: Instant) -> None:
        plan = self.world.line(line).plan
        if plan is not None:
            self._line(line).plans.append((at, plan.stops))

    def _changed_settings(self, entry: JournalEntry) -> None:
        self.track.policies.append((entry.at, self.world.policy))

    def _judged(self, key: str) -> None:
        """Outcomes that are new, and those that were taken back; the oldest go when there are too many."""
        record = next(each for each in self.world.memory.records.values() if record_key(each.kind) == key)
        before, now = self._outcomes.get(key, []), list(record.outcomes)
        self._outcomes[key] = now
        if len(now) < MOST_OUTCOMES:
            for gone in (Counter(before) - Counter(now)).elements():
                if (record.kind, gone) in self._noticed:
                    self._noticed.remove((record.kind, gone))
        self._noticed += [(record.kind, each) for each in (Counter(now) - Counter(before)).elements()]

    def _within(self, at: Instant) -> Instant:
        return max(at, self.track.since)


def _nothing() -> None:
    pass


def _shown(tower: TowerState, at: Instant) -> TowerShown:
    return TowerShown(at=at, reading=tower.reading, lamps=dict(tower.lamps), slots=tuple(tower.slots))


def _order_set(order: Order, at: Instant) -> OrderSet:
    return OrderSet(at=at, order=order.name, recipe=order.recipe, panels=order.panels, state=order.state)


def _supplied(slot: SlotState, at: Instant, change: str, left: int | None) -> Supplied:
    return Supplied(
        at=at,
        slot=slot.name,
        change=change,
        part=slot.part,
        kind=slot.kind,
        lot=slot.lot,
        left=left,
    )


def _supply_moment(station: StationState, message: SupplyMessage, at: Instant) -> Instant:
    """As ``clock.moment`` took it: by the supplies' clock or the counts', whichever shows the smaller
    delay."""
    happened = clock.own_moment(station, clock.SUPPLY, message.at, at)
    counts = station.clocks.get(clock.COUNT)
    if message.at is None or clock.of(station, clock.SUPPLY).flagged or counts is None:
        return happened
    return happened if counts.offset is None else min(happened, from_datetime(message.at) + counts.offset)
