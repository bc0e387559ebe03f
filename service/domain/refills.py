"""What a supply message does: loaded, joined, spliced, counted, removed; and what a supply known by name
brings along. (``undo`` has what is undone.)"""

from __future__ import annotations

import hashlib

import msgspec

from service.domain import clock, ends, named, notices, questions, ready, record, succession, undo, wrong_part
from service.domain import slot as supplies
from service.domain.calendar import hours_of
from service.domain.events import SupplyMessage
from service.domain.history import Booked
from service.domain.lately import used_since
from service.domain.model import Instant
from service.domain.notices import Told
from service.domain.outcome import judge_slot, look_anew
from service.domain.state import SlotState, StationState, Stock, SupplyState
from service.domain.world import World, touch_supply


def apply(world: World, station: StationState, message: SupplyMessage, at: Instant) -> list[Told] | None:
    slot = world.slot(station, message.slot)
    event = message.id or _event_name(message, at)
    if event in slot.supply_ids:
        return None
    slot.supply_ids.append(event)
    del slot.supply_ids[: -supplies.MOST_IDS]
    happened = clock.moment(station, clock.SUPPLY, message.at, at)
    told: list[Told] = []
    undo.expire(station, at)
    undo.forget(station, slot)
    match message.change:
        case "loaded" | "joined":
            told += _exchange(world, station, slot, message, event=event, happened=happened, at=at)
        case "spliced":
            told += _splice(world, station, slot, message, event=event, happened=happened, at=at)
        case "counted":
            told += _count(world, station, slot, message, happened=happened, at=at)
        case "removed":
            ends.settle(world, station, slot, at)
            named.part_with(world, slot, stock=supplies.stock_of(slot))
            told += _take_out(
                world,
                station,
                slot,
                event=event,
                happened=happened,
                at=at,
                by=message.by,
                timed=message.at is not None,
            )
    supplies.settle_doubt(station)
    world.look(station, slot)
    world.note(station, slot)
    return told + judge_slot(world, station, slot, at)


def _exchange(
    world: World,
    station: StationState,
    slot: SlotState,
    message: SupplyMessage,
    *,
    event: str,
    happened: Instant,
    at: Instant,
) -> list[Told]:
    """A supply is loaded or joined, right or wrong; for a minute it can be taken back."""
    mark = undo.mark(world, station, slot, message)
    told = _refill(world, station, slot, message, mark.booked, event=event, happened=happened, at=at)
    moment = clock.own_moment(station, clock.SUPPLY, message.at, at)
    told += wrong_part.judge(world, station, slot, message, at, happened=min(happened, moment))
    undo.keep(world, station, slot, message, mark, event=event, at=at)
    return told


def _refill(
    world: World,
    station: StationState,
    slot: SlotState,
    message: SupplyMessage,
    booked: list[Booked],
    *,
    event: str,
    happened: Instant,
    at: Instant,
) -> list[Told]:
    """A supply is loaded or joined; or, said late, what a refill was that the counts showed before."""
    sight = world.sights_of(station)[slot.name]
    told: list[Told] = []
    moment = clock.own_moment(station, clock.SUPPLY, message.at, at)
    since = _since(world, station, slot, moment)
    timed = message.at is not None
    turn = succession.turn(
        world, station, slot, message.by, at=at, happened=happened, moment=moment, since=since, timed=timed
    )
    if supplies.puts_a_word_to_refill(slot, message, sight.rule, moment):
        message, carried = _recall(world, message, told, station, slot, happened, at)
        told += questions.settle(world, station, slot, notices.ANSWERED, at, by=message.by)
        supplies.name_refill(slot, message, since=since, carried=carried)
        succession.named(turn, message)
        return told
    carried = None
    slot.counted -= since
    if message.change == "loaded" or slot.out_since is not None:
        booked += ends.settle(world, station, slot, at)
    if message.change == "loaded":
        named.part_with(world, slot, stock=supplies.stock_of(slot))
        message, carried = _recall(world, message, told, station, slot, happened, at)
        told += questions.end_loading(world, station, slot, notices.REFILLED, at, by=message.by, since=since)
        supplies.load(slot, message, sight.rule, event=event, at=happened, carried=carried)
        if carried is None:
            slot.partial = ends.is_partial(world, slot, world.look(station, slot))
    else:
        if message.supply is not None:
            named.part_with(world, slot, stock=Stock(0, exact=True))
            message, carried = _recall(world, message, told, station, slot, happened, at)
        told += questions.end_loading(world, station, slot, notices.REFILLED, at, by=message.by, since=since)
        supplies.join(slot, message, sight.rule, event=event, at=happened, carried=carried)
    ready.use(world, station, world.look(station, slot).part, slot.kind)
    slot.counted += since
    if message.change == "loaded":
        succession.loaded(turn, message)
    else:
        succession.joined(turn, message)
    return told


def _count(
    world: World,
    station: StationState,
    slot: SlotState,
    message: SupplyMessage,
    *,
    happened: Instant,
    at: Instant,
) -> list[Told]:
    """A person counted what is left, perhaps some panels ago."""
    since = _since(world, station, slot, clock.own_moment(station, clock.SUPPLY, message.at, at))
    told = questions.settle(world, station, slot, notices.ANSWERED, at, by=message.by)
    slot.counted -= since
    ends.settle(world, station, slot, at, left=message.quantity or 0)
    supplies.count(slot, message.quantity or 0, at=happened)
    slot.counted += since
    look_anew(world, station, slot)
    return told + record.cut_short(world, station, slot, at)


def _since(world: World, station: StationState, slot: SlotState, moment: Instant) -> int:
    """Parts that were used since then."""
    usage = world.sights_of(station)[slot.name].usage
    return used_since(station, slot, usage, moment, hours_of(world.policy, station.line))


def _splice(
    world: World,
    station: StationState,
    slot: SlotState,
    message: SupplyMessage,
    *,
    event: str,
    happened: Instant,
    at: Instant,
) -> list[Told]:
    """The joint passed: the tape before it is used up, and what was joined is what there is."""
    if not slot.ahead:
        return []
    moment = clock.own_moment(station, clock.SUPPLY, message.at, at)
    since = _since(world, station, slot, moment)
    turn = succession.turn(
        world, station, slot, message.by, at=at, happened=happened, moment=moment, since=since
    )
    slot.counted -= since
    ends.settle_leading(world, station, slot, at)
    told = questions.end_loading(world, station, slot, notices.REFILLED, at, by=message.by, since=since)
    supplies.splice(slot, grey=message.grey or 0, event=event, at=happened)
    slot.counted += since
    succession.spliced(turn)
    return told


def _event_name(message: SupplyMessage, at: Instant) -> str:
    """A name for a supply event without one: equal messages of one moment are one event."""
    if message.at is None:
        return f"at-{at}"
    return "same-" + hashlib.sha256(msgspec.json.encode(message)).hexdigest()[:20]


def _take_out(
    world: World,
    station: StationState,
    slot: SlotState,
    *,
    event: str,
    happened: Instant,
    at: Instant,
    by: str | None,
    timed: bool,
) -> list[Told]:
    told = questions.end_loading(world, station, slot, notices.REMOVED, at, by=by)
    told += wrong_part.end(world, station, slot.name, notices.REMOVED, at, by=by)
    turn = succession.turn(world, station, slot, by, at=at, happened=happened, timed=timed)
    supplies.remove(slot, event=event, at=happened)
    succession.removed(turn)
    world.look(station, slot)
    world.note(station, slot)
    return told


def take_away(
    world: World,
    station: StationState,
    slot: SlotState,
    *,
    happened: Instant,
    at: Instant,
    by: str | None = None,
    timed: bool = False,
) -> list[Told]:
    """What was in the slot, and was parted with, is loaded somewhere else by now."""
    event = f"moved-{at}"
    told = _take_out(world, station, slot, event=event, happened=happened, at=at, by=by, timed=timed)
    return told + judge_slot(world, station, slot, at)


def _recall(
    world: World,
    message: SupplyMessage,
    told: list[Told],
    station: StationState,
    slot: SlotState,
    happened: Instant,
    at: Instant,
) -> tuple[SupplyMessage, Stock | None]:
    """A supply known by name: what it is and what is believed left come along; its loading elsewhere ends."""
    if message.supply is None:
        return message, None
    known = world.supplies.get(message.supply) or SupplyState(message.supply)
    was = named.slot_of(world, known)
    # It may come straight out of a slot of another shard: what is left in it is heard from there later.
    asks = was is None and message.quantity is None
    known.owed = (known.stock or Stock(0)) if asks else None
    if was is not None and known.where is not None:
        line, name, _ = known.where
        elsewhere = world.station(line, name)
        named.part_with(world, was, stock=supplies.stock_of(was))
        if was is not slot:
            told += take_away(
                world, elsewhere, was, happened=happened, at=at, by=message.by, timed=message.at is not None
            )
    carried, known.stock, known.where = known.stock, None, (station.line, station.station, slot.name)
    known.kind = message.kind or known.kind
    known.part = message.part or known.part
    known.lot = message.lot or known.lot
    touch_supply(world, known)
    return msgspec.structs.replace(message, kind=known.kind, part=known.part, lot=known.lot), carried
