"""What each event does to the world, and what people are told because of it.

``apply`` is the whole of it: one event and one moment in, the changed notices out. It is the same for a
live message, a person's tap and a replay; it has no clock and does no I/O."""

from __future__ import annotations

import msgspec

from service.domain import clock, counting, notices, tower
from service.domain import slot as supplies
from service.domain.counting import Hearing
from service.domain.events import (
    CountMessage,
    LinkMessage,
    Message,
    OrderMessage,
    PersonAct,
    RecipeMessage,
    SupplyMessage,
    TimePassed,
    TowerMessage,
)
from service.domain.model import Instant, from_datetime
from service.domain.notices import Told
from service.domain.orders import apply_order
from service.domain.outcome import judge_slot, judge_station, numbers_of
from service.domain.policy import Policy, tower_rule
from service.domain.sight import usage_of
from service.domain.state import Recipe, SlotState, StationState, SupplyState, TowerState
from service.domain.world import World, touch_supply

MOST_TAKTS = 40


def apply(
    world: World, message: Message, *, line: str, station: str | None, at: Instant, retained: bool = False
) -> list[Told] | None:
    """Change the world by one event that took effect at ``at``; the notices that changed, in order.
    ``None``: the event was counted already, nothing changed."""
    match message:
        case CountMessage():
            return apply_count(world, world.station(line, station or ""), message, at)
        case SupplyMessage():
            return _apply_supply(world, world.station(line, station or ""), message, at)
        case TowerMessage():
            return _apply_tower(world, world.station(line, station or ""), message, at)
        case RecipeMessage():
            return _apply_recipe(world, world.station(line, station or ""), message, at)
        case OrderMessage():
            return apply_order(world, world.line(line), message, at, retained=retained)
        case LinkMessage():
            state = world.station(line, station or "")
            state.link, state.link_since = message.state, at
            return []
        case PersonAct():
            return _apply_act(world, message, at)
        case TimePassed():
            return _apply_time(world, at)


def apply_count(world: World, station: StationState, message: CountMessage, at: Instant) -> list[Told] | None:
    """Placements so far: what they add leaves the slots, and every slot that gave parts is judged."""
    source_at = None if message.at is None else from_datetime(message.at)
    said_at = source_at if source_at is not None and clock.believed(source_at, at) else None
    station.clock_flagged = source_at is not None and said_at is None
    gap_before = len(station.holes)
    hearing = counting.hear(station, message, said_at)
    if hearing not in counting.COUNTED:
        return None
    began = at if said_at is None else _corrected(station, said_at, at)
    panels = counting.panel_increment(station, message, hearing)
    _note_takt(station, at if source_at is None else source_at, panels or 0, hearing)
    told, fed = _feed_slots(world, station, message, hearing, began=began, panels=panels, at=at)
    if message.counts == "delta" and (len(station.holes) > gap_before or hearing is Hearing.LATE):
        _note_missing(station, message, hearing, at)
    station.counted_at = at
    station.counted_session, station.counted_seq = message.session, message.seq
    for name in _slots_to_judge(world, station, fed):
        told += judge_slot(world, station, station.slots[name], at)
    return told


def _feed_slots(
    world: World,
    station: StationState,
    message: CountMessage,
    hearing: Hearing,
    *,
    began: Instant,
    panels: int | None,
    at: Instant,
) -> tuple[list[Told], list[str]]:
    """Consume what the message adds; the refills it proves and the slots that gave parts."""
    sights = world.sights_of(station)
    increments = []
    for name, count in message.slots.items():
        slot = station.slots.get(name) or world.slot(station, name)
        placed, lost = counting.slot_increment(station, slot, message, count, hearing)
        increments.append((slot, placed, lost, usage_of(slot, sights[name])))
    moved = panels if panels is not None else _estimated_panels(station, increments)
    station.progress += moved
    station.order_done += moved
    told: list[Told] = []
    fed: list[str] = []
    for slot, placed, lost, usage in increments:
        last = slot.reported_panels
        slot.reported_panels = station.progress
        since = 0 if last is None else station.progress - last
        if placed or lost:
            station.resting = False
            earlier = slot.loaded_at is not None and began < slot.loaded_at
            supplies.consume(slot, placed, lost, earlier=earlier, usage=usage, panels=since)
            fed.append(slot.name)
            if not earlier:
                told += _believe_refill(world, station, slot, usage, placed, began=began, at=at)
        elif lost is None or since:
            supplies.consume(slot, 0, lost, earlier=False, usage=usage, panels=since)
        if last is not None and panels is not None and sights[slot.name].usage is None:
            supplies.learn_usage(slot, placed, since)
    return told, fed


def _believe_refill(
    world: World,
    station: StationState,
    slot: SlotState,
    usage: float | None,
    placed: int,
    *,
    began: Instant,
    at: Instant,
) -> list[Told]:
    waiting = station.tower is not None and station.tower.reading == tower.Reading.OUT
    ended = slot.out_since is not None and not waiting and began > slot.out_since
    if not supplies.refill_is_plain(slot, usage, out_ended=ended):
        return []
    since = slot.held if slot.removed else placed
    if slot.out_since is None and not slot.removed:
        since = max(0, slot.counted - (slot.declared or 0))
    told = notices.end_loading(slot, notices.SEEN_REFILLED, at)
    supplies.believe_refill(slot, world.sights_of(station)[slot.name].rule, at=at, since=since)
    world.look(station, slot)
    world.note(station, slot)
    return [told] if told is not None else []


def _slots_to_judge(world: World, station: StationState, fed: list[str]) -> list[str]:
    watched = world.watched[station.line, station.station]
    return fed if not watched else list(dict.fromkeys((*fed, *sorted(watched))))


def _corrected(station: StationState, said_at: Instant, at: Instant) -> Instant:
    station.count_skew = clock.usual_offset(
        station.count_skew, at=said_at, received=at, before=station.counted_at
    )
    return said_at + clock.correction(station.count_skew, station.supply_skew)


def _note_takt(station: StationState, source_at: Instant, panels: int, hearing: Hearing) -> None:
    """Takt from differences of the source's own times within a session: a backlog isn't a fast line."""
    if hearing is Hearing.LATE:
        return
    last = station.panel_at
    if hearing is Hearing.ONWARD and panels > 0 and last is not None and source_at > last:
        station.takts.append((source_at - last) / panels / 1e6)
        del station.takts[:-MOST_TAKTS]
    if panels > 0 or last is None:
        station.panel_at = source_at


def _estimated_panels(
    station: StationState, increments: list[tuple[SlotState, int, int | None, float | None]]
) -> int:
    """Panels by the slot that placed the most panels' worth, where the station counts none."""
    station.progress_estimated = True
    worth = max((placed / usage for _, placed, _, usage in increments if usage), default=0.0)
    station.part_of_panel += worth
    whole = int(station.part_of_panel + 1e-9)
    station.part_of_panel -= whole
    return whole


def _note_missing(station: StationState, message: CountMessage, hearing: Hearing, at: Instant) -> None:
    """Deltas that never came make the remaining quantity less certain; one that comes late makes it surer."""
    if hearing is Hearing.LATE:
        lost_messages = -1
    else:
        low, high = station.holes[-1]
        lost_messages = high - low + 1
        station.uncertain_since = station.uncertain_since or at
    for name, count in message.slots.items():
        slot = station.slots[name]
        slot.missing = max(0.0, slot.missing + lost_messages * (count.placed + (count.lost or 0)))


def _apply_supply(
    world: World, station: StationState, message: SupplyMessage, at: Instant
) -> list[Told] | None:
    slot = world.slot(station, message.slot)
    event = message.id or _event_name(message, at)
    if event in slot.supply_ids:
        return None
    slot.supply_ids.append(event)
    del slot.supply_ids[: -supplies.MOST_IDS]
    told: list[Told] = []
    sight = world.sights_of(station)[slot.name]
    match message.change:
        case "loaded":
            message, carried = _carry(world, message, told, station, slot, at)
            told += _closed(notices.end_loading(slot, notices.REFILLED, at, by=message.by))
            loaded_at = _loaded_at(station, message, at)
            supplies.load(slot, message, sight.rule, event=event, at=loaded_at, carried=carried)
        case "joined":
            told += _closed(notices.end_loading(slot, notices.REFILLED, at, by=message.by))
            supplies.join(slot, message, sight.rule, event=event)
        case "counted":
            supplies.count(slot, message.quantity or 0)
        case "removed":
            told += _closed(notices.end_loading(slot, notices.REMOVED, at, by=message.by))
            _leave(world, slot)
            supplies.remove(slot, event=event)
    world.look(station, slot)
    world.note(station, slot)
    return told + judge_slot(world, station, slot, at)


def _event_name(message: SupplyMessage, at: Instant) -> str:
    """A name for a supply event without one: equal messages of one moment are one event."""
    if message.at is None:
        return f"at-{at}"
    return f"{message.change}-{from_datetime(message.at)}"


def _closed(told: Told | None) -> list[Told]:
    return [] if told is None else [told]


def _loaded_at(station: StationState, message: SupplyMessage, at: Instant) -> Instant:
    if message.at is None or not clock.believed(said := from_datetime(message.at), at):
        return at
    station.supply_skew = clock.usual_offset(station.supply_skew, at=said, received=at, before=None)
    return said + clock.correction(station.supply_skew, station.count_skew)


def _carry(
    world: World,
    message: SupplyMessage,
    told: list[Told],
    station: StationState,
    slot: SlotState,
    at: Instant,
) -> tuple[SupplyMessage, int | None]:
    """A supply known by name: what it is and what is believed left come along; its loading elsewhere ends."""
    if slot.supply != message.supply:
        _leave(world, slot)
    if message.supply is None:
        return message, None
    here = (station.line, station.station, slot.name)
    known = world.supplies.get(message.supply) or SupplyState(message.supply)
    left = known.left
    if known.where is not None:
        line, name, other = known.where
        elsewhere = world.station(line, name)
        was = elsewhere.slots[other]
        left = _left_in(was)
        if known.where != here:
            told += _closed(notices.end_loading(was, notices.REMOVED, at, by=message.by))
            supplies.remove(was, event=f"moved-{at}")
            world.look(elsewhere, was)
            world.note(elsewhere, was)
    known = SupplyState(
        message.supply,
        kind=message.kind or known.kind,
        part=message.part or known.part,
        lot=message.lot or known.lot,
        left=left,
        where=here,
    )
    touch_supply(world, known)
    return msgspec.structs.replace(message, kind=known.kind, part=known.part, lot=known.lot), left


def _leave(world: World, slot: SlotState) -> None:
    """A named supply leaves its slot: what is believed left in it is kept under its name."""
    known = world.supplies.get(slot.supply) if slot.supply is not None else None
    if known is not None:
        known.left, known.where = _left_in(slot), None
        touch_supply(world, known)


def _left_in(slot: SlotState) -> int | None:
    return None if slot.book is None else max(0, slot.book)


def _apply_tower(world: World, station: StationState, message: TowerMessage, at: Instant) -> list[Told]:
    reading = tower.read(message, tower_rule(world.policy, station.line))
    old = station.tower
    since = old.since if old is not None and old.reading == reading else at
    station.tower = TowerState(
        tower.lamps_of(message), message.buzzer, list(message.slots), reading.value, since
    )
    told: list[Told] = []
    if reading is tower.Reading.OUT:
        for name in message.slots or _likely_empty(world, station):
            slot = world.slot(station, name)
            slot.out_since = slot.out_since or at
            told += judge_slot(world, station, slot, at)
    elif reading is tower.Reading.LOW:
        for name in message.slots:
            slot = world.slot(station, name)
            slot.low_since = slot.low_since or at
    return told


def _likely_empty(world: World, station: StationState) -> list[str]:
    """The one slot an out signal without a name can mean: the soonest, where it may be at its end now."""
    best: tuple[int, str] | None = None
    for slot in station.slots.values():
        panels = numbers_of(world, station, slot).panels
        if panels is not None and panels.p05 <= 1:
            best = min(best or (panels.p50, slot.name), (panels.p50, slot.name))
    return [] if best is None else [best[1]]


def _apply_recipe(world: World, station: StationState, message: RecipeMessage, at: Instant) -> list[Told]:
    name = message.recipe or ""
    station.recipes[name] = Recipe(
        name, message.usage, message.parts, message.alternates, message.boards_per_panel
    )
    if message.active:
        station.last_active = name
    for slot in message.usage:
        world.slot(station, slot)
    world.look_again(station)
    return judge_station(world, station, at)


def _apply_act(world: World, act: PersonAct, at: Instant) -> list[Told]:
    """Raises ``KeyError`` for an unknown notice, ``notices.Taken`` when someone was first."""
    line, name, slot_name = world.notices[act.notice]
    station = world.station(line, name)
    slot = station.slots[slot_name]
    if slot.notice is None or slot.notice.id != act.notice:
        raise notices.Taken
    match act.action:
        case "take":
            told = notices.take(slot, act.by, at)
        case "quiet":
            told = notices.quiet(slot, at, progress=station.progress, panels=act.panels, until=act.until)
        case "close":
            if not notices.is_live(slot.notice):
                raise notices.Taken
            told = notices.close(slot, notices.PERSON, at, by=act.by, reason=act.reason)
    world.note(station, slot)
    return _closed(told)


def _apply_time(world: World, at: Instant) -> list[Told]:
    told: list[Told] = []
    for (line, name), watched in world.watched.items():
        for slot_name in sorted(watched):
            slot = world.stations[line, name].slots[slot_name]
            station = world.stations[line, name]
            if notices.quiet_is_over(slot, progress=station.progress, at=at):
                world.station(line, name)
                told.append(notices.speak_again(slot, at))
    return told


def change_policy(world: World, policy: Policy, at: Instant) -> list[Told]:
    """Other settings are in force from now on; every slot is judged anew."""
    world.change_policy(policy)
    told: list[Told] = []
    for line, name in sorted(world.stations):
        told += judge_station(world, world.station(line, name), at)
    return told


def next_moment(world: World) -> Instant | None:
    """When time alone will change something next: the earliest end of a quiet spell."""
    return min(
        (
            until
            for place, watched in world.watched.items()
            for name in watched
            if (until := world.stations[place].slots[name].quiet_until) is not None
        ),
        default=None,
    )
