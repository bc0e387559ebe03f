"""From a slot's case to what people are told: level, opening, worsening, closing.

Judged after every event that could matter to the slot, one slot at a time.
"""

from __future__ import annotations

from service.domain import clock, judge, notices, record
from service.domain.calendar import Hours, hours_of, walk, worked
from service.domain.inquiry import Questions
from service.domain.judge import Case
from service.domain.model import SECOND, Instant, Level, Spread, SupplyKind
from service.domain.notices import Numbers, Told
from service.domain.outlook import panels_to_empty
from service.domain.pace import pace_of, seconds_to_empty
from service.domain.shortfall import orders_ahead, shortfalls
from service.domain.sight import Sight
from service.domain.state import SlotState, StationState
from service.domain.world import World

_FINISHING = 5.0
"""Takts into a planned rest after which a panel wasn't merely finished there."""


def judge_station(world: World, station: StationState, at: Instant) -> list[Told]:
    told: list[Told] = []
    for name in sorted(station.slots):
        told += judge_slot(world, station, station.slots[name], at)
    return told


def judge_slot(
    world: World, station: StationState, slot: SlotState, at: Instant, *, by_count: bool = False
) -> list[Told]:
    """What is to be told of the slot now; of slots that feed the same placements one speaks for all.
    ``by_count``: nothing but a count can have changed anything."""
    sights = world.sights_of(station)
    told: list[Told] = []
    if world.sight(station, slot).group:
        slot, others = _speaker(station, sights[slot.name])
        for other in others:
            told += _noted(world, station, other, _close(world, station, other, notices.BETTER, at))
    if notices.quiet_is_over(slot, progress=station.progress, at=at):
        told += _noted(world, station, slot, [notices.speak_again(slot, at)])
    sight = sights[slot.name]
    return told + _noted(world, station, slot, _judge(world, station, slot, sight, at, by_count))


def _noted(world: World, station: StationState, slot: SlotState, told: list[Told]) -> list[Told]:
    if told:
        world.note(station, slot)
    return told


def _judge(
    world: World, station: StationState, slot: SlotState, sight: Sight, at: Instant, by_count: bool
) -> list[Told]:
    if station.resting and not sight.after:
        return _close(world, station, slot, notices.ORDER_DONE, at)
    if starves(station, slot, sight):
        kept = record.ran_empty(world, station, slot, at)
        return _raise(world, station, slot, Level.EMPTY, at) + kept
    if sight.idle:
        return _close(world, station, slot, notices.ORDER_DONE, at)
    case = judge.case_of(world.line(station.line), station, slot, world.sights_of(station))
    if case is None:
        # All that is known of it is that its tower says low.
        if slot.notice is not None and notices.is_live(slot.notice) and slot.notice.level == Level.EMPTY:
            return _close(world, station, slot, notices.REFILLED, at)  # one of those that feed with it was
        low = slot.low_since is not None and slot.declared is None
        return _raise(world, station, slot, Level.EARLY, at) if low else []
    level = judge.level_within(case, sight.limits, judge.lead_of(sight, station))
    if level is not None:
        return _raise(world, station, slot, level, at, by_count=by_count)
    if notices.is_live(slot.notice) and judge.is_better(case, sight, station):
        done = case.needed == 0
        return _close(world, station, slot, notices.ORDER_DONE if done else notices.BETTER, at)
    return []


def look_anew(world: World, station: StationState, slot: SlotState) -> None:
    """Somebody counted: where that leaves the slot well, its notice that a person closed is over, and what
    comes is told of again."""
    sight, notice = world.look(station, slot), slot.notice
    if notice is None or notice.closed_because != notices.PERSON:
        return
    case = judge.case_of(world.line(station.line), station, slot, world.sights_of(station))
    if case is not None and not starves(station, slot, sight) and judge.is_better(case, sight, station):
        slot.anew = True


def starves(station: StationState, slot: SlotState, sight: Sight) -> bool:
    """A signal says the slot is out; with alternates, when it says so of all of them."""
    members = sight.group or (slot.name,)
    found = [station.slots[name] for name in members if name in station.slots]
    return (
        len(found) == len(members)
        and any(member.out_since is not None for member in found)
        and all(member.out_since is not None or member.removed for member in found)
    )


def _speaker(station: StationState, sight: Sight) -> tuple[SlotState, list[SlotState]]:
    """The slot whose notice is live or was closed by a person, else the one with least left; and the others,
    who are silent."""
    members = [station.slots[name] for name in sight.group if name in station.slots]
    members.sort(key=lambda slot: (-_loudness(slot), _left(slot), slot.name))
    return members[0], members[1:]


def _loudness(slot: SlotState) -> int:
    if slot.notice is None:
        return 0
    if notices.is_live(slot.notice):
        return 1 + Level(slot.notice.level).rank
    return 1 if slot.notice.closed_because == notices.PERSON else 0


def _left(slot: SlotState) -> int:
    if slot.out_since is not None or slot.removed:
        return -1
    return slot.book if slot.book is not None else 1 << 60


def _raise(
    world: World,
    station: StationState,
    slot: SlotState,
    level: Level,
    at: Instant,
    *,
    by_count: bool = False,
) -> list[Told]:
    if not notices.calls_for_words(slot, level):
        return []
    kept: list[Told] = []
    if record.opens(slot) and level is Level.EMPTY:
        kept = record.missed(world, station, slot, at)
    elif record.opens(slot):
        record.warn(world, station, slot, at, by_count=by_count)
    numbers = numbers_of(world, station, slot)
    if slot.notice is None:
        slot.told_left = slot.book
    return [notices.raise_to(station, slot, level, numbers, at), *kept]


def _close(world: World, station: StationState, slot: SlotState, because: str, at: Instant) -> list[Told]:
    kept = record.let_go(world, station, slot, at)
    told = notices.close(slot, because, at)
    return kept if told is None else [told, *kept]


def is_boundary_only(slot: SlotState, sight: Sight) -> bool:
    """A tray in use can only be exchanged between two panels; the configuration may say otherwise."""
    if sight.rule.boundary_only is not None:
        return sight.rule.boundary_only
    return slot.kind == SupplyKind.TRAY


def numbers_of(world: World, station: StationState, slot: SlotState) -> Numbers:
    """The forecast of one slot as a notice says it."""
    sights = world.sights_of(station)
    case = judge.case_of(world.line(station.line), station, slot, sights)
    panels, short = None, None
    if case is not None:
        panels = forecast([case])[0]
        short = shortfalls([case], [panels.p50], [orders_ahead(world.line(station.line))])[0]
    return Numbers(
        panels=panels,
        empty_at=None
        if panels is None
        else clock_times(station, panels, hours_of(world.policy, station.line)),
        part=sights[slot.name].part,
        boundary_only=is_boundary_only(slot, sights[slot.name]),
        timezone=world.policy.timezone,
        short=short,
    )


def forecast(cases: list[Case]) -> list[Spread[int]]:
    """Panels to empty of many slots in one vectorised call."""
    spreads = panels_to_empty(Questions.of([case.question for case in cases])).tolist()
    return [Spread(*quantiles) for quantiles in spreads]


def clock_times(station: StationState, panels: Spread[int], hours: Hours | None) -> Spread[Instant] | None:
    """When the panels will have run, counted from its last count, in the line's working hours; ``None`` while
    the takt is unknown, and where that is no date any more."""
    pace, start = pace_of(station), station.counted_at
    seconds = None if pace is None else seconds_to_empty(pace, (panels.p05, panels.p50, panels.p95))
    if pace is None or seconds is None or start is None:
        return None
    made = clock.last_panel(station)
    # A panel may be finished in a break that is taken; one that is made some takts later shows it isn't.
    long_before = None if made is None else min(made, start) - round(_FINISHING * pace.usual * SECOND)
    goes_on = hours is not None and long_before is not None and worked(hours, long_before, start) == 0
    soonest, middle, latest = (walk(hours, start, round(each * SECOND), goes_on=goes_on) for each in seconds)
    if soonest is None or middle is None or latest is None:
        return None
    return Spread(soonest, middle, latest)
