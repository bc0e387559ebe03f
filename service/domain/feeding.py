"""What a count does: parts leave the slots, refills show themselves, takt and usage are learned.

The hot path. A count costs what its own slots cost, however many are known; most slots end at a cheap exact
bound, the others are judged.
"""

from __future__ import annotations

from service.domain import (
    calendar,
    clock,
    counting,
    ends,
    expiry,
    named,
    notices,
    pace,
    questions,
    ready,
    recipes,
    skips,
    stacks,
    standing,
    succession,
    tower,
    undo,
)
from service.domain import slot as supplies
from service.domain.counting import Hearing
from service.domain.depletion import surely_lasts
from service.domain.events import CountMessage
from service.domain.judge import lead_of
from service.domain.model import SECOND, Instant, from_datetime
from service.domain.notices import Told
from service.domain.outcome import judge_slot
from service.domain.policy import Limits
from service.domain.sight import Sight
from service.domain.state import SlotState, StationState, Stock
from service.domain.world import World


def apply_count(world: World, station: StationState, message: CountMessage, at: Instant) -> list[Told] | None:
    """Placements so far: what they add leaves the slots, and every slot that gave parts is judged. ``None``:
    counted before."""
    source_at = None if message.at is None else from_datetime(message.at)
    said_at = source_at if source_at is not None and clock.believed(source_at, at) else None
    last_said = station.last_at
    hearing, missed = counting.hear(station, message, said_at)
    if hearing is Hearing.REPEAT or hearing is Hearing.REPLACED:
        return None
    message = counting.beginning(station, message, hearing)
    if hearing is Hearing.ONWARD and clock.was_set_back(said_at, last_said):
        clock.of(station, clock.COUNT).offset = None
    if station.undoable:
        undo.expire(station, at)
    began = _began(station, source_at, said_at, at)
    learn = station.panels is not None
    panels = counting.panel_increment(station, message, hearing)
    limited, rested = _is_limited(world, station), station.resting
    if panels is None:
        panels = _estimated_panels(world, station, message, hearing)
        station.progress_estimated = station.progress_estimated or panels > 0
    _note_takt(world, station, message, at if source_at is None else source_at, began, panels, hearing)
    station.progress += panels
    station.order_done += panels
    odd: list[recipes.Report] = []
    told, doubtful = _feed_slots(
        world, station, message, hearing, began, at, made=panels if learn else None, odd=odd
    )
    if odd and hearing is Hearing.ONWARD and not missed and message.mode == "production":
        sights = world.sights_of(station)
        agreeing = sum(sights[name].said > 0.0 for name in message.slots) - len(odd)
        told += recipes.compare(world, station, odd, agreeing, at)
    if message.counts == "delta" and (missed or hearing is Hearing.LATE):
        _note_missing(world, station, message, missed, at)
        missing = (name for name, slot in station.slots.items() if slot.missing)
        doubtful = list(dict.fromkeys((*doubtful, *missing)))
    unlimited = (rested and not station.resting) or (limited and not _is_limited(world, station))
    if unlimited:
        doubtful = list(station.slots)  # orders no longer silence those that this message doesn't name
    station.counted_at = at
    if hearing is not Hearing.LATE:
        station.counted_session, station.counted_seq = message.session, message.seq
    watched = world.watched[station.line, station.station]
    for name in dict.fromkeys((*doubtful, *sorted(watched))) if watched else doubtful:
        told += judge_slot(world, station, station.slots[name], at, by_count=not unlimited)
    return told + standing.speak_again(world, station.line, station.station, at)


def _is_limited(world: World, station: StationState) -> bool:
    """Whether the running order limits what the station needs."""
    if not station.order_start_seen or station.progress_estimated:
        return False
    order = world.line(station.line).running_order
    return order is not None and order.panels is not None and station.order_done <= order.panels


def _feed_slots(
    world: World,
    station: StationState,
    message: CountMessage,
    hearing: Hearing,
    began: Instant,
    at: Instant,
    *,
    made: int | None,
    odd: list[recipes.Report],
) -> tuple[list[Told], list[str]]:
    """Consume what the message adds; the refills it proves, and the slots that must be judged exactly.
    ``made``: how many panels that was, where it is known. ``odd`` takes the reports that aren't what a recipe
    says."""
    slots, sights = station.slots, world.sights_of(station)
    progress = station.progress
    told: list[Told] = []
    doubtful: list[str] = []
    leads: dict[Limits, int] = {}
    placing = skips.Placing()
    for name, count in message.slots.items():
        slot = slots.get(name) or world.slot(station, name)
        sight = world.look(station, slot) if (known := sights[name]).is_stale else known
        placed, lost, covered = counting.slot_increment(station, slot, message, count, hearing)
        gone = 0
        if count.empty is not None:
            gone = _pass_empty(station, slot, message, count.empty, hearing, began)
        last, slot.reported_panels = slot.reported_panels, progress
        panels = 0 if last is None else progress - last
        if not (placed or lost or panels or gone):
            continue
        earlier = slot.loaded_at is not None and began < slot.loaded_at
        if made and sight.by_recipe:
            placing.note(slot.taken + placed, 0.0 if sight.group else (sight.usage or 0.0) * panels)
        used = gone + supplies.consume(slot, placed, lost, covered, sight.usage, panels, earlier=earlier)
        if made is not None and last is not None and (placed != sight.said * panels or slot.usage_off):
            _note_usage(slot, sight, (slot, placed, panels), odd)
        if not used:
            continue
        station.rests_since = None if began > (station.rests_since or began) else station.rests_since
        if earlier:
            named.charge(world, slot.supply_before, used)
        elif supplies.may_be_refilled(slot):
            told += _believe_refill(world, station, slot, sight.usage, used, panels, began=began, at=at)
        sight = sights[name]
        limits = sight.limits
        lead = _lead(station, sight, leads) if limits.lead_minutes else limits.lead_panels
        if not surely_fine(slot, sight, lead):
            doubtful.append(name)
    station.skips = placing.noted(station.skips, made or 0, progress - (made or 0))
    return told, doubtful


def _pass_empty(
    station: StationState,
    slot: SlotState,
    message: CountMessage,
    total: int,
    hearing: Hearing,
    began: Instant,
) -> int:
    """Picks found cavities empty; the parts that are gone from the books by that."""
    cavities = counting.empty_increment(station, slot, message, total, hearing)
    earlier = slot.loaded_at is not None and began < slot.loaded_at
    return stacks.pass_empty(slot, cavities) if cavities and not earlier else 0


def _note_usage(slot: SlotState, sight: Sight, report: recipes.Report, odd: list[recipes.Report]) -> None:
    """Without a recipe usage is learned; with one it is looked into whether the counts contradict it."""
    if sight.said:
        odd.append(report)
    elif not sight.by_recipe:
        supplies.learn_usage(*report)
        sight.usage = slot.learned


def _lead(station: StationState, sight: Sight, leads: dict[Limits, int]) -> int:
    """Minutes in panels, once a message, not for every slot."""
    limits = sight.limits
    if limits not in leads:
        leads[limits] = lead_of(sight, station)
    return leads[limits]


def surely_fine(slot: SlotState, sight: Sight, lead: int) -> bool:
    """The cheap exact bound for a slot about which nothing is said: certainly not due, whatever the orders
    say, or not known well enough to be."""
    usage, declared = sight.usage, slot.declared
    if sight.group or slot.out_since is not None or slot.low_counted is not None:
        return False
    if not usage or declared is None:
        return True
    a, b, most = sight.prior.a, sight.prior.b, sight.most_after
    # How far the evidence will count isn't known here: the worse odds, and the least that is known of them.
    odds, seen = a / b, (a + slot.lost_evidence) / (b + slot.placed_evidence)
    return surely_lasts(
        (lead + 1) * max(usage, most),
        declared - slot.counted - slot.missing - slot.unseen + sight.law.lowest,
        max(odds, seen) * b,
        b,
        slot.blind,
        sight.limits.chance,
    )


def _believe_refill(
    world: World,
    station: StationState,
    slot: SlotState,
    usage: float | None,
    used: int,
    panels: int,
    *,
    began: Instant,
    at: Instant,
) -> list[Told]:
    if slot.out_since is not None and not slot.removed:
        if began <= slot.out_since:
            return []
        slot.held += used
        slot.held_panels += panels
    sight = world.sight(station, slot)
    if not supplies.refill_is_plain(slot, usage, most=sight.law.most, waits=_waits_for(station, slot)):
        return []
    if slot.out_since is not None:
        ends.settle(world, station, slot, at)
    whom = slot.notice.taken_by if slot.notice is not None and notices.is_live(slot.notice) else None
    told = questions.end_loading(world, station, slot, notices.SEEN_REFILLED, at)
    named.part_with(world, slot, stock=Stock(0, exact=True))
    turn, lead = succession.turn(world, station, slot, None, at=at), lead_of(sight, station) * (usage or 0.0)
    supplies.believe_refill(slot, sight.rule, at=at, lead=lead)
    stacks.load(slot, sight.rule, None, said=False)
    succession.seen(turn, usage, panels, lead)
    supplies.settle_doubt(station)
    ready.use(world, station, world.look(station, slot).part, slot.kind)
    told += expiry.settle(world, station, slot, at)
    return [*told, questions.ask(world, station, slot, at, whom=whom)]


def _waits_for(station: StationState, slot: SlotState) -> bool:
    signal = station.tower
    if signal is None or signal.reading != tower.Reading.OUT:
        return False
    return not signal.slots or slot.name in signal.slots


def _began(station: StationState, source_at: Instant | None, said_at: Instant | None, at: Instant) -> Instant:
    """When the count was taken, by our clock."""
    if source_at is None:
        return at
    source = clock.of(station, clock.COUNT)
    source.flagged = said_at is None
    return at if said_at is None else clock.note(source, said_at, at)


def _note_takt(
    world: World,
    station: StationState,
    message: CountMessage,
    source_at: Instant,
    began: Instant,
    panels: int,
    hearing: Hearing,
) -> None:
    """Takt from differences of the source's own times within a session: a backlog isn't a fast line. Planned
    rest in between isn't takt; it stands by our clock, by which the count was taken when it ``began``."""
    if hearing is Hearing.LATE:
        return
    last = station.panel_at
    if message.mode != "production":
        station.panel_at = None
    elif panels > 0 and last is not None and 0 < source_at - last <= clock.BEHIND:
        hours = calendar.hours_of(world.policy, station.line)
        took = calendar.timed(hours, began - (source_at - last), began)
        if took is not None:
            pace.note(station, took / SECOND, panels)
        station.panel_at = source_at
    elif panels > 0 or last is None:
        station.panel_at = source_at


def _estimated_panels(world: World, station: StationState, message: CountMessage, hearing: Hearing) -> int:
    """Panels by the slot that placed the most panels' worth, where the station counts none."""
    sights = world.sights_of(station)
    worth = 0.0
    for name, count in message.slots.items():
        slot = station.slots.get(name) or world.slot(station, name)
        usage = sights[name].usage
        if usage:
            worth = max(worth, counting.placed_by(station, slot, message, count, hearing) / usage)
    station.part_of_panel += worth
    whole = int(station.part_of_panel + 1e-9)
    station.part_of_panel -= whole
    return whole


def _note_missing(
    world: World, station: StationState, message: CountMessage, missed: int, at: Instant
) -> None:
    """Deltas that never came make the remaining quantity less certain; one that comes late makes it surer."""
    if missed:
        station.uncertain_since = station.uncertain_since or at
    elif not station.holes and not station.given_up:
        for slot in station.slots.values():
            slot.missing = 0.0
    sights = world.sights_of(station)
    for name, slot in station.slots.items():
        # A message that never came is taken to be like this one.
        count = message.slots.get(name)
        usual = (sights[name].usage or 0.0) * (message.panels or 0)
        each = usual if count is None else count.placed + (count.lost or 0)
        slot.missing = max(0.0, slot.missing + (missed or -1) * each)
    if not missed:
        supplies.settle_doubt(station)
