"""Notices that a floor life ends: before the parts do, or while they are loaded.

Looked at when something is done to the supply, and when time alone brings a moment at which it must be looked
at again (``age_at``). It stops nothing: whoever may act takes the supply out.
"""

from __future__ import annotations

from zoneinfo import ZoneInfo

from service.domain import notices, opened, standing
from service.domain.model import SECOND, Change, Instant, Level, Notice, to_rfc3339
from service.domain.moisture import FloorLife
from service.domain.notices import Told, exchange_when
from service.domain.outcome import is_boundary_only, numbers_of
from service.domain.said import Said, Value
from service.domain.state import SlotState, Standing, StationState
from service.domain.world import World

KIND = "floor life"
_LOOKS = 6
"""Within the lead the life's end is compared with the parts so often."""
_MINUTE = 60 * SECOND
_RECENT = 12 * 3600 * SECOND
"""Longer ago, a time of the day doesn't say when it was."""


def settle(
    world: World, station: StationState, slot: SlotState, at: Instant, *, by: str | None = None
) -> list[Told]:
    """What is to be told of the floor life of what is in the slot now, and when to look again."""
    stands = standing.find(world, KIND, slot.name, line=station.line, station=station.station)
    told: list[Told] = []
    if stands is not None and slot.aged_told is None:
        told += _end(world, stands, notices.REMOVED if slot.removed else notices.REFILLED, at, by)
        stands = None
    current = opened.life_in(world, slot, at)
    slot.aged_at = None if current is None else at
    level, slot.age_at = _judge(world, station, slot, current, at, stands=stands is not None)
    world.note(station, slot)
    if current is not None and level is not None:
        return told + _raise(world, station, slot, stands, level, current, at)
    slot.aged_told = None
    return told if stands is None else told + _end(world, stands, notices.BETTER, at, by)


def settle_station(world: World, station: StationState, at: Instant) -> list[Told]:
    """``settle`` for all slots of a station, where other rules are in force."""
    told: list[Told] = []
    for name in sorted(station.slots):
        slot = station.slots[name]
        if slot.age_at is not None or slot.aged_told or opened.life_in(world, slot, at) is not None:
            told += settle(world, station, slot, at)
    return told


def settle_due(world: World, at: Instant) -> list[Told]:
    """``settle`` where the moment to look again has come."""
    told: list[Told] = []
    for line, name, slot in sorted(place for place, moment in world.aging.items() if moment <= at):
        station = world.station(line, name)
        told += settle(world, station, station.slots[slot], at)
    return told


def next_moment(world: World) -> Instant | None:
    return min(world.aging.values(), default=None)


def _judge(
    world: World,
    station: StationState,
    slot: SlotState,
    current: FloorLife | None,
    at: Instant,
    *,
    stands: bool,
) -> tuple[Level | None, Instant | None]:
    """How bad it is, and when time alone may change that. Once people were told (``stands``), the parts must
    run out a tenth of the lead before the life does, so that a value at the edge doesn't flap."""
    if current is None or current.unlimited:
        return None, None
    if current.state == "expired":
        return Level.EARLY if world.sight(station, slot).idle else Level.URGENT, None
    ends_at = current.ends_at or current.over_by
    if ends_at is None:
        return None, None
    lead = round(world.policy.floor_life.lead_minutes * _MINUTE)
    if at < ends_at - lead:
        return None, ends_at - lead
    again = min(ends_at, at + max(_MINUTE, lead // _LOOKS))
    late = _outlasts(world, station, slot, ends_at - (lead // 10 if stands else 0), at)
    return Level.EARLY if late else None, again


def _outlasts(world: World, station: StationState, slot: SlotState, ends_at: Instant, at: Instant) -> bool:
    """Whether parts may be left by then: in one of twenty cases, or nobody knows how long they last. A line
    that stands uses none, so what it needs begins now."""
    times = numbers_of(world, station, slot).empty_at
    stood = at - (station.counted_at or at)
    return times is None or times.p95 + stood > ends_at


def _raise(
    world: World,
    station: StationState,
    slot: SlotState,
    stands: Standing | None,
    level: Level,
    current: FloorLife,
    at: Instant,
) -> list[Told]:
    """Tell, unless as much was told of this supply here before, whatever became of the notice."""
    if slot.aged_told is not None and level.rank <= Level(slot.aged_told).rank:
        return []
    slot.aged_told = level.value
    words = _words(world, station, slot, current, at)
    if stands is not None:
        told = notices.worsen(stands, level, words, ZoneInfo(world.policy.timezone), at)
    else:
        notice = _notice(world, station, slot, level, words, at)
        stands, told = Standing(notice), Told(notice, Change.OPENED)
    world.stand(stands)
    return [told]


def _end(world: World, stands: Standing, because: str, at: Instant, by: str | None) -> list[Told]:
    told = notices.close(stands, because, at, by=by)
    world.stand(stands)
    return [] if told is None else [told]


def _notice(
    world: World, station: StationState, slot: SlotState, level: Level, words: Said, at: Instant
) -> Notice:
    return standing.anew(
        world,
        KIND,
        words,
        at,
        name=standing.name_of(KIND, station.line, station.station, slot.name, slot.loading, at),
        level=level,
        line=station.line,
        station=station.station,
        slot=slot.name,
        part=slot.part,
        supply_kind=slot.kind,
        boundary_only=is_boundary_only(slot, world.sight(station, slot)),
        loading=slot.loading,
        about=slot.name,
    )


def _words(world: World, station: StationState, slot: SlotState, current: FloorLife, at: Instant) -> Said:
    """Where, which supply, until when, and what to do; how to bake is for the label and the plant's rules."""
    about: dict[str, Value] = {
        "where": f"{station.line} {station.station} {slot.name}",
        "supply": _named(slot),
        "when": exchange_when(is_boundary_only(slot, world.sight(station, slot))),
    }
    if current.reason == "bake":
        return Said(
            "{where}: {supply} must be baked before it is used, and nobody said that it was. Take it out"
            " {when}; bake it as its label, the standard and your rules say.",
            about,
        )
    if current.state == "expired":
        return _over(about, current.ends_at, at)
    about["ends_at"] = to_rfc3339(current.ends_at or current.over_by or at)
    if current.ends_at is None and slot.supply is None:
        return Said(
            "{where}: nobody said when {supply} was opened. Its floor life ends at {ends_at} at the latest,"
            " perhaps earlier. Take it out {when}.",
            about,
        )
    if current.ends_at is None:
        return Said(
            "{where}: nobody said when {supply} was opened. Its floor life ends at {ends_at} at the latest,"
            " perhaps earlier. Say when it was opened, or take it out {when}.",
            about,
        )
    return Said(
        "{where}: the floor life of {supply} ends at {ends_at}, perhaps before its parts do. Bring a fresh"
        " supply and take this one out {when}: into the dry cabinet, or to be baked as its label, the"
        " standard and your rules say.",
        about,
    )


def _over(about: dict[str, Value], ended_at: Instant | None, at: Instant) -> Said:
    if ended_at is None or at - ended_at > _RECENT:
        return Said(
            "{where}: the floor life of {supply} is over. Take it out {when}; before its parts are used it"
            " must be baked as its label, the standard and your rules say.",
            about,
        )
    return Said(
        "{where}: the floor life of {supply} ended at {ended_at}. Take it out {when}; before its parts are"
        " used it must be baked as its label, the standard and your rules say.",
        about | {"ended_at": to_rfc3339(ended_at)},
    )


def _named(slot: SlotState) -> Said:
    if slot.part is None:
        named = Said("supply {supply}", {"supply": slot.supply}) if slot.supply else Said("what is loaded")
    elif slot.supply is None:
        named = Said("{part}", {"part": slot.part})
    else:
        named = Said("{part} (supply {supply})", {"part": slot.part, "supply": slot.supply})
    return named
