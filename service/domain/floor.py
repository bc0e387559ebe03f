"""What each event does to the world, and what people are told because of it.

``apply`` is the whole of it: one event and one moment in, the changed notices out. It is the same for a
live message, a person's tap and a replay; it has no clock and does no I/O."""

from __future__ import annotations

from service.domain import (
    aboard,
    calls,
    clock,
    elsewhere,
    ends,
    expiry,
    gateways,
    notices,
    opened,
    outage,
    planning,
    questions,
    ready,
    recipes,
    refusals,
    runs,
    silence,
    standing,
    succession,
    tower,
    wrong_part,
)
from service.domain import slot as supplies
from service.domain.events import (
    Checked,
    CountMessage,
    Elsewhere,
    GatewayReport,
    LinkMessage,
    Message,
    OrderMessage,
    OutletReport,
    PersonAct,
    PlanKept,
    Readied,
    RecipeMessage,
    Refusals,
    SupplyCare,
    SupplyMessage,
    TimePassed,
    TowerMessage,
)
from service.domain.feeding import apply_count
from service.domain.heard import TowerState
from service.domain.judge import case_of
from service.domain.model import Instant, from_datetime
from service.domain.named import slot_of, stamp
from service.domain.notices import Told
from service.domain.orders import apply_order
from service.domain.outcome import forecast, judge_slot, judge_station
from service.domain.policy import Policy, tower_rule
from service.domain.state import Recipe, SlotState, Standing, StationState
from service.domain.world import World


def apply(
    world: World, message: Message, *, line: str, station: str | None, at: Instant, retained: bool = False
) -> list[Told] | None:
    """Change the world by one event that took effect at ``at``; the notices that changed, in order, each with
    those who hear of it. ``None``: the event was counted already, nothing changed."""
    told = _apply(world, message, line, station, at, retained)
    if world.word.changed:
        stamp(world, at, moved=isinstance(message, SupplyMessage))
    if told is None:
        return None
    told = calls.address(world, told, at)
    if isinstance(message, CountMessage):
        told += calls.settle(world, (line, station or ""), at)
    elif isinstance(message, TimePassed):
        told += calls.settle_all(world, at)
    return told


def _apply(  # noqa: C901, PLR0912 (a table of what there is, not a decision)
    world: World, message: Message, line: str, station: str | None, at: Instant, retained: bool
) -> list[Told] | None:
    match message:
        case CountMessage():
            place = world.station(line, station or "")
            progress = place.progress
            told = apply_count(world, place, message, at)
            if told is None:
                return None
            if (place.line, place.station) in world.stays.waiting:
                succession.look(world, place, progress, at)
            return told + silence.settle(world, place, at)
        case SupplyMessage(change="undone"):
            return aboard.undone(world, line, station or "", message, at)
        case SupplyMessage():
            return aboard.apply(world, world.station(line, station or ""), message, at)
        case SupplyCare():
            return _apply_care(world, message, at)
        case TowerMessage():
            place = world.station(line, station or "")
            return _apply_tower(world, place, message, at) + silence.settle(world, place, at)
        case RecipeMessage():
            place = world.station(line, station or "")
            told = _apply_recipe(world, place, message, at, retained=retained)
            if told is None:
                return None
            runs.mark(world, place, at)
            return told + recipes.settle(world, place, at) + wrong_part.settle(world, place, at)
        case OrderMessage():
            told = apply_order(world, world.line(line), message, at, retained=retained)
            if told is None:
                return None
            runs.mark_line(world, line, at)
            told += recipes.settle_line(world, line, at) + wrong_part.settle_line(world, line, at)
            return told + silence.settle_line(world, line, at)
        case LinkMessage():
            return _apply_link(world, world.station(line, station or ""), message, at)
        case PersonAct():
            return _apply_act(world, message, at)
        case Checked():
            return _apply_check(world, line, station or "", message, at)
        case Readied():
            return ready.apply(world, world.line(line), message, at)
        case PlanKept():
            return planning.keep(world, world.line(line), message, at)
        case TimePassed():
            if message.clock_set:
                _forget_offsets(world)
            told = _apply_time(world, at) + expiry.settle_due(world, at)
            return told + silence.judge(world, at, message.heard_since)
        case OutletReport():
            told = outage.apply(world, message, at)
            return told if message.state == "well" else told + calls.instead(world, message.outlet, at)
        case Elsewhere():
            return elsewhere.apply(world, message, at)
        case GatewayReport():
            return gateways.apply(world, message, line, station, at)
        case Refusals():
            return refusals.apply(world, message, line, station, at)


def _apply_tower(world: World, station: StationState, message: TowerMessage, at: Instant) -> list[Told]:
    reading = tower.read(message, tower_rule(world.policy, station.line))
    happened = clock.moment(station, clock.TOWER, message.at, at)
    old, goes_on = station.tower, False
    if old is not None:
        goes_on = old.reading == reading
    station.tower = TowerState(
        tower.lamps_of(message),
        message.buzzer,
        list(message.slots),
        reading.value,
        old.since if old is not None and goes_on else happened,
    )
    # Said again while it goes on it is no news: the slot may have been refilled meanwhile.
    known = old.slots if old is not None and goes_on else []
    named = [name for name in message.slots if name not in known]
    told: list[Told] = []
    if reading is tower.Reading.OUT:
        for name in named if message.slots or goes_on else _likely_empty(world, station):
            told += _run_out(world, station, world.slot(station, name), happened, at)
    elif reading is tower.Reading.LOW:
        for name in named:
            slot = world.slot(station, name)
            if _is_of_before(slot, happened):
                continue
            sight = world.sights_of(station)[name]
            if sight.rule.low_sensor:
                slot.low_counted = slot.counted if slot.low_counted is None else slot.low_counted
            elif slot.low_since is None and sight.usage:
                supplies.compare_with_lamp(slot, sight.usage)
            slot.low_since, slot.low_ended = slot.low_since or happened, None
            told += judge_slot(world, station, slot, at)
    if reading in (tower.Reading.LOW, tower.Reading.RUNNING):
        _end_low(station, message)
    return told


def _end_low(station: StationState, message: TowerMessage) -> None:
    """Slots that the tower no longer names: when they stopped being low may be when they were refilled."""
    for name, slot in station.slots.items():
        if slot.low_since is not None and slot.out_since is None and name not in message.slots:
            slot.low_since, slot.low_ended = None, slot.counted


def _is_of_before(slot: SlotState, happened: Instant) -> bool:
    """A late signal, of the loading before."""
    return slot.loaded_at is not None and happened < slot.loaded_at


def _run_out(
    world: World, station: StationState, slot: SlotState, happened: Instant, at: Instant
) -> list[Told]:
    if _is_of_before(slot, happened):
        return []
    told: list[Told] = []
    if slot.out_since is None and ends.astray(slot, world.sight(station, slot)):
        told = questions.ask_why_empty(world, station, slot, at)
    slot.out_since = slot.out_since or happened
    return told + judge_slot(world, station, slot, at)


def _likely_empty(world: World, station: StationState) -> list[str]:
    """The one slot an out signal without a name can mean: the soonest, where it was urgent already."""
    line, sights = world.line(station.line), world.sights_of(station)
    for slot in station.slots.values():
        world.sight(station, slot)
    cases = {name: case_of(line, station, slot, sights) for name, slot in station.slots.items()}
    known = {name: case for name, case in cases.items() if case is not None}
    spreads = dict(zip(known, forecast(list(known.values())), strict=True)) if known else {}
    near = [
        (panels.p50, name)
        for name, panels in spreads.items()
        if panels.p05 <= max(1, sights[name].limits.urgent_panels)
    ]
    return [min(near)[1]] if near else []


def _apply_recipe(
    world: World, station: StationState, message: RecipeMessage, at: Instant, *, retained: bool
) -> list[Told] | None:
    name = message.recipe or ""
    said_at = None if message.at is None else from_datetime(message.at)
    groups = recipes.merged(message.alternates)
    recipe = Recipe(name, message.usage, message.parts, groups, message.boards_per_panel, said_at)
    if retained and station.recipes.get(name) == recipe:
        return None
    recipes.remember(world, station, recipe)
    running = world.line(station.line).running_order
    ordered = running is not None and running.recipe == name
    if ordered or (message.active and not (retained and _is_older(station, said_at))):
        station.last_active = name
    for slot in message.usage:
        world.slot(station, slot)
    world.look_again(station)
    return judge_station(world, station, at)


def _is_older(station: StationState, said_at: Instant | None) -> bool:
    """Older than the recipe that is active; retained messages come in any order."""
    active = station.recipes.get(station.last_active) if station.last_active is not None else None
    return active is not None and active.at is not None and said_at is not None and said_at < active.at


def _apply_link(world: World, station: StationState, message: LinkMessage, at: Instant) -> list[Told]:
    if station.link != message.state:
        station.link, station.link_since = message.state, clock.moment(station, clock.LINK, message.at, at)
    return silence.settle(world, station, at)


def _apply_act(world: World, act: PersonAct, at: Instant) -> list[Told]:
    """Raises ``KeyError`` for an unknown notice, ``Taken`` when someone was first."""
    bearer, line, name = _bearer(world, act.notice)
    match act.action:
        case "take":
            told = notices.take(bearer, act.by, at)
        case "release":
            told = notices.release(bearer, at)
        case "quiet":
            passed = standing.progress(world, line, name)
            told = notices.quiet(bearer, at, progress=passed, panels=act.panels, until=act.until)
        case "close":
            told = notices.close(bearer, notices.PERSON, at, by=act.by, reason=act.reason)
    if isinstance(bearer, SlotState):
        world.note(world.station(line, name), bearer)
    else:
        world.stand(bearer)
    return _closed(told)


def _apply_check(world: World, line: str, name: str, message: Checked, at: Instant) -> list[Told] | None:
    """``None``: nobody knows the slot."""
    station = world.stations.get((line, name))
    if station is None or message.slot not in station.slots:
        return None
    return wrong_part.refuse(world, world.station(line, name), station.slots[message.slot], message, at)


def _apply_care(world: World, care: SupplyCare, at: Instant) -> list[Told]:
    known = opened.apply(world, care, at)
    if known.where is None or slot_of(world, known) is None:
        return []
    line, name, slot = known.where
    station = world.station(line, name)
    return expiry.settle(world, station, station.slots[slot], at, by=care.by)


def _closed(told: Told | None) -> list[Told]:
    return [] if told is None else [told]


def _bearer(world: World, notice: str) -> tuple[SlotState | Standing, str, str]:
    """What has the notice, and its place. Raises ``KeyError``."""
    stands = world.standing.get(notice)
    if stands is not None and stands.notice is not None:
        return stands, stands.notice.line or "", stands.notice.station or ""
    line, name, slot = world.notices[notice]
    return world.stations[line, name].slots[slot], line, name


def _forget_offsets(world: World) -> None:
    """By the old ones counts would seem to come from before a refill, or from after it."""
    for place in sorted(world.stations):
        for source in world.station(*place).clocks.values():
            source.offset = None


def _apply_time(world: World, at: Instant) -> list[Told]:
    told: list[Told] = []
    for (line, name), watched in sorted(world.watched.items()):
        for slot_name in sorted(watched):
            slot = world.stations[line, name].slots[slot_name]
            station = world.stations[line, name]
            if notices.quiet_is_over(slot, progress=station.progress, at=at):
                world.station(line, name)
                told.append(notices.speak_again(slot, at))
    for place in sorted(world.standing_at):
        told += standing.speak_again(world, *place, at)
    return told


def change_policy(world: World, policy: Policy, at: Instant) -> list[Told]:
    """Other settings are in force from now on; every slot is judged anew."""
    world.change_policy(policy)
    told: list[Told] = []
    for line, name in sorted(world.stations):
        station = world.station(line, name)
        told += judge_station(world, station, at) + wrong_part.settle(world, station, at)
        told += expiry.settle_station(world, station, at)
    return calls.address(world, told, at)


def next_moment(world: World) -> Instant | None:
    """When time alone will change something next: the earliest end of a quiet spell, the next time that
    something is said again, or that a floor life must be looked at."""
    quiet = [
        world.stations[place].slots[name].quiet_until
        for place, watched in world.watched.items()
        for name in watched
    ]
    quiet += [each.quiet_until for each in world.standing.values()]
    moments = [until for until in quiet if until is not None]
    later = (calls.next_moment(world), expiry.next_moment(world))
    return min([*moments, *(each for each in later if each is not None)], default=None)
