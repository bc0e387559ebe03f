"""Questions to people: asked once after a refill that nobody reported, or when a signal and the books are far
apart; ended by the first word about it.

A question is a notice of its own beside the slot's supply notice. It belongs to the believed loading, so a
replay asks the same question under the same id; it doesn't know how it reaches anyone."""

from __future__ import annotations

from service.domain import notices, record, standing
from service.domain.model import Change, Instant, Level, NoticeState
from service.domain.notices import Told
from service.domain.said import Said, Value
from service.domain.state import SlotState, Standing, StationState
from service.domain.world import World

KIND = "question"


def ask(
    world: World, station: StationState, slot: SlotState, at: Instant, *, whom: str | None = None
) -> Told:
    """Ask what was loaded, after a refill was believed; ``whom``: who had taken the emptying."""
    return _ask(world, station, slot, _what_was_loaded(world, station, slot), at, whom=whom)


def ask_why_empty(world: World, station: StationState, slot: SlotState, at: Instant) -> list[Told]:
    """Ask once, where a signal says empty while the books have far too much left for that."""
    if _question_id(station, slot) in world.standing:
        return []
    words = Said(
        "{where} says it is empty, and by our books {left} of {loaded} parts are left. Was less loaded, or is"
        " it another slot that is empty?",
        {
            "where": f"{station.line} {station.station} {slot.name}",
            "left": slot.book or 0,
            "loaded": slot.declared or 0,
        },
    )
    return [_ask(world, station, slot, words, at)]


def _ask(
    world: World, station: StationState, slot: SlotState, words: Said, at: Instant, *, whom: str | None = None
) -> Told:
    sight = world.sights_of(station)[slot.name]
    notice = standing.anew(
        world,
        KIND,
        words,
        at,
        name=_question_id(station, slot),
        level=Level.EARLY,
        line=station.line,
        station=station.station,
        slot=slot.name,
        part=sight.part,
        supply_kind=slot.kind,
        state=NoticeState.TAKEN if whom else NoticeState.OPEN,
        taken_by=whom,
        loading=slot.loading,
    )
    world.stand(Standing(notice))
    return Told(notice, Change.OPENED)


def settle(
    world: World, station: StationState, slot: SlotState, because: str, at: Instant, *, by: str | None = None
) -> list[Told]:
    """End the question about what is in the slot now, if one is open. Call before its loading changes."""
    stands = world.standing.get(_question_id(station, slot))
    told = None if stands is None else notices.close(stands, because, at, by=by)
    if stands is None or told is None:
        return []
    world.stand(stands)
    return [told]


def end_loading(
    world: World,
    station: StationState,
    slot: SlotState,
    because: str,
    at: Instant,
    *,
    by: str | None = None,
    since: int = 0,
) -> list[Told]:
    """The supply is gone: its notice closes, and so does a question about it; how its warning went is noted.
    ``since``: parts that were used since it really went."""
    seen = because == notices.SEEN_REFILLED
    kept = record.cut_short(world, station, slot, at, since=since, seen=seen)
    told = notices.end_loading(slot, because, at, by=by)
    ended = [] if told is None else [told]
    return ended + settle(world, station, slot, because, at, by=by) + kept


def _question_id(station: StationState, slot: SlotState) -> str:
    return notices.notice_id(station, slot, about=KIND)


def _what_was_loaded(world: World, station: StationState, slot: SlotState) -> Said:
    part = world.sights_of(station)[slot.name].part
    where = f"{station.line} {station.station} {slot.name}"
    if slot.declared is None:
        return Said(
            "{where} was refilled and nobody said with what. How many parts were loaded?", {"where": where}
        )
    what: dict[str, Value] = {"where": where, "loaded": slot.declared}
    if part is None:
        return Said(
            "{where} was refilled and nobody said with what. {loaded} parts are assumed: is that right?", what
        )
    return Said(
        "{where} was refilled and nobody said with what. {loaded} parts of {part} are assumed: is that"
        " right?",
        what | {"part": part},
    )
