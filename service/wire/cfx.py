"""IPC-2591 (CFX) as JSON over MQTT, into our own messages.

The standard speaks over AMQP and has no binding to MQTT: topics are a convention of whoever carries it
there, so what a message is about is taken from the message. Its ``UniqueID`` tells a repeat, its
``TimeStamp`` is when something happened. Messages that say nothing to us are ignored; recipes are among them,
because they name no parts per panel.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any, Literal

from service.domain.model import Instant
from service.domain.room import MOST_STATIONS
from service.wire import cfx_messages as cfx
from service.wire import cfx_tower
from service.wire.cfx_counts import Consumption, Counted, Counts
from service.wire.cfx_read import Reader, Reel, SlotName, Trouble, Used, reels_of
from service.wire.cfx_slots import Slot
from service.wire.cfx_states import RESULTS, read_duration, read_state, word_of
from service.wire.cfx_stations import Station, StationRule, Stations
from service.wire.cfx_supplies import Carrier, Change, Supplies
from service.wire.cfx_tower import Showing
from service.wire.cfx_turn import Sender, Turn, begin
from service.wire.gateway import Memories, Memory, Native, Plain
from service.wire.native import Misfit

PanelsFrom = Literal["work", "departed"]
_MOST_SENDERS = 10_000
_MOST_KNOWN_SLOTS = 50_000
_MOST_SLOTS = 500
"""In one message."""
_NO_PANEL = "Aborted"
_Work = Callable[[Turn], None]


class CfxTranslator(Plain):
    """``consumption``: by which messages a station's parts are counted; ``None``: by what is consumed once
    any such was heard, by what is installed until then. ``panels_from``: a panel is complete with its work,
    or when it departs. ``ValueError`` says which rule can't be used."""

    def __init__(
        self,
        source: str,
        *,
        topics: Sequence[str],
        stations: Sequence[StationRule] = (),
        slots: SlotName = "identifier",
        consumption: Consumption | None = None,
        panels_from: PanelsFrom = "work",
    ) -> None:
        self._stations = Stations(topics, stations)
        self.filters: tuple[str, ...] = self._stations.filters
        self._reader = Reader(slots)
        self._panels_from = panels_from
        self._senders = Memory(Sender, Sender)
        self._slots = Memory(Slot, Slot)
        self._towers = Memory(Showing, Showing)
        self._counted = Memory(Counted, Counted)
        carriers = Memory(Carrier, Carrier)
        self._supplies = Supplies(self._slots, carriers)
        self._counts = Counts(source, consumption, self._counted, self._slots)
        self.memory = Memories(
            senders=self._senders,
            counts=self._counted,
            slots=self._slots,
            towers=self._towers,
            carriers=carriers,
        )
        self._anywhere: dict[type, Callable[[Any], _Work]] = {
            cfx.MaterialsJoined: self._joined,
            cfx.MaterialsUnloaded: self._unloaded,
            cfx.MaterialCarriersUnloaded: self._carriers_unloaded,
            cfx.MaterialsChainSplit: self._split,
            cfx.MaterialsModified: self._modified,
        }
        self._at_station: dict[type, Callable[[Any, Station], _Work]] = {
            cfx.MaterialsConsumed: self._consumed,
            cfx.MaterialsInstalled: self._installed,
            cfx.MaterialsLoaded: self._loaded,
            cfx.MaterialCarriersLoaded: self._carriers_loaded,
            cfx.GetLoadedMaterialsResponse: self._told_what_is_loaded,
            cfx.MaterialsEmpty: self._empty,
            cfx.SplicePointDetected: self._splice,
            cfx.WorkCompleted: self._panel,
            cfx.UnitsDeparted: self._panel,
            cfx.StationStateChanged: self._state,
            cfx.FaultOccurred: self._fault,
            cfx.FaultCleared: self._cleared,
            cfx.EndpointConnected: lambda _, station: lambda turn: turn.say_link(station, "online"),
            cfx.EndpointShuttingDown: lambda _, station: lambda turn: turn.say_link(station, "offline"),
        }

    def hear(
        self, topic: str, payload: bytes, *, at: Instant, retained: bool = False
    ) -> Sequence[Native] | None:
        heard = cfx.read_messages(payload)
        # All that can be wrong with them is found before the first is remembered.
        works = [self._plan(each, topic) for each in heard]
        natives: list[Native] = []
        news = False
        for each, work in zip(heard, works, strict=True):
            turn = begin(self._senders, each, at, natives, retained=retained)
            if turn is not None:
                news = True
                work(turn)
        return natives if news or not heard else None

    def begin_anew(self) -> None:
        self._supplies.begin_anew()

    def _plan(self, heard: cfx.Heard, topic: str) -> _Work:
        """What is to be done about a message. Raises ``Misfit``."""
        _check_room(self._senders, [heard.handle], "sources", _MOST_SENDERS)
        kind = type(heard.body)
        if (anywhere := self._anywhere.get(kind)) is not None:
            return anywhere(heard.body)
        station = self._stations.find(heard.handle, topic)
        _check_room(self._counted, [station.key], "stations", MOST_STATIONS)
        _check_room(self._towers, [station.key], "stations", MOST_STATIONS)
        return self._at_station[kind](heard.body, station)

    # What each message says and does: read it, then do it.

    def _consumed(self, body: cfx.MaterialsConsumed, station: Station) -> _Work:
        return self._used(self._reader.consumed(body.consumed_materials), station, self._counts.consume)

    def _installed(self, body: cfx.MaterialsInstalled, station: Station) -> _Work:
        return self._used(self._reader.installed(body.installed_materials), station, self._counts.install)

    def _told_what_is_loaded(self, body: cfx.GetLoadedMaterialsResponse, station: Station) -> _Work:
        return self._used(list(map(self._reader.held, body.materials)), station, self._counts.resync)

    def _used(
        self, used: list[Used], station: Station, count: Callable[[Turn, Station, list[Used]], None]
    ) -> _Work:
        self._checked(used, station)

        def work(turn: Turn) -> None:
            known = self._supplies.placed(station.key, used)
            for each in known:
                self._change(turn, self._supplies.see(station.at(each.place), each, turn))
            count(turn, station, known)

        return work

    def _loaded(self, body: cfx.MaterialsLoaded, station: Station) -> _Work:
        loads = [self._reader.held(each) for each in body.materials]
        self._checked(loads, station)

        def work(turn: Turn) -> None:
            for each in loads:
                key = None if each.place.slot is None else station.at(each.place)
                self._change(turn, self._supplies.load(key, each.place, each.reels, turn))

        return work

    def _carriers_loaded(self, body: cfx.MaterialCarriersLoaded, station: Station) -> _Work:
        loads = self._checked(map(self._reader.held, body.carriers), station)

        def work(turn: Turn) -> None:
            for each in loads:
                self._change(turn, self._supplies.load_carrier(station.at(each.place), each.place, turn))

        return work

    def _empty(self, body: cfx.MaterialsEmpty, station: Station) -> _Work:
        empty = self._checked(map(self._reader.held, body.empty_materials), station)

        def work(turn: Turn) -> None:
            for each in empty:
                said = self._supplies.empty(station.at(each.place), each.reels, turn)
                if said is None:
                    cfx_tower.run_out(self._towers.of(station.key), each.place.slot or "")
                    self._show(turn, station)
                else:
                    self._change(turn, said)

        return work

    def _splice(self, body: cfx.SplicePointDetected, station: Station) -> _Work:
        active = self._reader.held(body.newly_active_material)
        depleted = active if body.depleted_material is None else self._reader.held(body.depleted_material)
        there = self._checked([depleted, active], station)
        reel = active.reels[-1] if active.reels else Reel()
        names = [each.name for each in (reel, *reversed(depleted.reels)) if each.name]

        def work(turn: Turn) -> None:
            key = self._supplies.find(*names) or next((station.at(each.place) for each in there), None)
            if key is not None:
                self._change(turn, self._supplies.splice(key, active.place, reel, turn))

        return work

    def _joined(self, body: cfx.MaterialsJoined) -> _Work:
        leading, reel = reels_of(body.leading_material_package), reels_of(body.trailing_material_package)[-1]
        return lambda turn: self._change(turn, self._supplies.join(leading, reel, turn))

    def _unloaded(self, body: cfx.MaterialsUnloaded) -> _Work:
        names = body.material_package_identifiers
        return lambda turn: self._change(turn, self._supplies.unload(names, turn))

    def _carriers_unloaded(self, body: cfx.MaterialCarriersUnloaded) -> _Work:
        names = body.carrier_identifiers
        return lambda turn: self._change(turn, self._supplies.unload_carriers(names, turn))

    def _split(self, body: cfx.MaterialsChainSplit) -> _Work:
        remaining = reels_of(body.remaining_material_package)
        return lambda turn: self._change(turn, self._supplies.split(remaining, turn))

    def _modified(self, body: cfx.MaterialsModified) -> _Work:
        reels = [reels_of(package)[-1] for package in body.materials]

        def work(turn: Turn) -> None:
            for reel in reels:
                self._change(turn, self._supplies.recount(reel, turn))

        return work

    def _panel(self, body: cfx.WorkCompleted | cfx.UnitsDeparted, station: Station) -> _Work:
        if isinstance(body, cfx.WorkCompleted):
            counts = self._panels_from == "work" and word_of(body.result, RESULTS) != _NO_PANEL
        else:
            counts = self._panels_from == "departed"
        return lambda turn: self._counts.panel(turn, station) if counts else None

    def _state(self, body: cfx.StationStateChanged, station: Station) -> _Work:
        state = read_state(body.new_state)
        old = None if body.old_state is None else read_state(body.old_state)
        lasted = None if body.old_state_duration is None else read_duration(body.old_state_duration)
        trouble = None if body.related_fault is None else self._reader.fault(body.related_fault)

        def work(turn: Turn) -> None:
            showing = self._towers.of(station.key)
            if turn.is_late(showing.at):
                return
            if (
                old is not None
                and lasted is not None
                and cfx_tower.was_missed(showing, old, turn.when - lasted)
            ):
                cfx_tower.enter(showing, old, turn.when - lasted)
                self._show(turn, station, before=lasted)
            cfx_tower.enter(showing, state, turn.when)
            if trouble is not None:
                self._begin(turn, station, trouble)
            self._show(turn, station)

        return work

    def _fault(self, body: cfx.FaultOccurred, station: Station) -> _Work:
        trouble = self._reader.fault(body.fault)

        def work(turn: Turn) -> None:
            self._begin(turn, station, trouble)
            self._show(turn, station)

        return work

    def _cleared(self, body: cfx.FaultCleared, station: Station) -> _Work:
        def work(turn: Turn) -> None:
            cfx_tower.end(self._towers.of(station.key), str(body.fault_occurrence_id))
            self._show(turn, station)

        return work

    # What they have in common

    def _checked(self, used: Iterable[Used], station: Station) -> list[Used]:
        """Those that name a slot. Raises ``Misfit`` for too many."""
        found = [each for each in used if each.place.slot is not None]
        slots = {station.at(each.place) for each in found}
        if len(slots) > _MOST_SLOTS:
            raise Misfit(f"{len(slots)} slots in one message, more than {_MOST_SLOTS}")
        _check_room(self._slots, slots, "slots", _MOST_KNOWN_SLOTS)
        return found

    def _change(self, turn: Turn, changes: Iterable[Change]) -> None:
        """Say them, and what they change on towers: something else is in these slots now."""
        for key, body in changes:
            line, name, slot = key.split("/")
            station = Station(line, name)
            named = {} if turn.name is None else {"id": f"{turn.name}/{len(turn.natives)}"}
            turn.say("supply", station, {**named, "slot": slot, **body})
            showing = self._towers.seen(station.key)
            if showing is not None and (slot in showing.out or slot in showing.low):
                cfx_tower.refill(self._towers.of(station.key), slot)
                self._show(turn, station)

    def _begin(self, turn: Turn, station: Station, trouble: Trouble) -> None:
        """A fault of a slot that was filled since is over."""
        slot = None if trouble.place.slot is None else self._slots.seen(station.at(trouble.place))
        if slot is None or not turn.is_late(slot.changed):
            cfx_tower.begin(self._towers.of(station.key), trouble, turn)

    def _show(self, turn: Turn, station: Station, *, before: Instant = 0) -> None:
        body = cfx_tower.tower(self._towers.of(station.key))
        if body is not None:
            turn.say("tower", station, body, before=before)


def _check_room(memory: Memory[Any], keys: Iterable[str], what: str, most: int) -> None:
    if not memory.has_room(keys, most):
        raise Misfit(f"more than {most} {what} were heard of")
