"""Questions to people: asked once after a refill that nobody reported, ended by the first word about it.

A question is a notice of its own beside the slot's supply notice. It belongs to the believed loading, so a
replay asks the same question under the same id; it doesn't know how it reaches anyone."""

from __future__ import annotations

from service.domain import notices
from service.domain.model import Change, Instant, Level, Notice, NoticeState, to_rfc3339
from service.domain.notices import Told
from service.domain.state import SlotState, Standing, StationState
from service.domain.world import World

KIND = "question"


def ask(world: World, station: StationState, slot: SlotState, at: Instant) -> Told:
    """Ask what was loaded, after a refill was believed."""
    sight = world.sights_of(station)[slot.name]
    notice = Notice(
        id=_question_id(station, slot),
        kind=KIND,
        line=station.line,
        station=station.station,
        slot=slot.name,
        part=sight.part,
        supply_kind=slot.kind,
        boundary_only=False,
        level=Level.EARLY.value,
        state=NoticeState.OPEN,
        opened_at=to_rfc3339(at),
        changed_at=to_rfc3339(at),
        panels_to_empty=None,
        empty_at=None,
        message=_words(station, slot, sight.part),
        loading=slot.loading,
    )
    world.stand(Standing(notice))
    return Told(notice, Change.OPENED)


def settle(
    world: World, station: StationState, slot: SlotState, because: str, at: Instant, *, by: str | None = None
) -> list[Told]:
    """End the question about what is in the slot now, if one is open. Call before its loading changes."""
    standing = world.standing.get(_question_id(station, slot))
    told = None if standing is None else notices.close(standing, because, at, by=by)
    if standing is None or told is None:
        return []
    world.stand(standing)
    return [told]


def end_loading(
    world: World, station: StationState, slot: SlotState, because: str, at: Instant, *, by: str | None = None
) -> list[Told]:
    """The supply is gone: its notice closes, and so does a question about it."""
    told = notices.end_loading(slot, because, at, by=by)
    return ([] if told is None else [told]) + settle(world, station, slot, because, at, by=by)


def _question_id(station: StationState, slot: SlotState) -> str:
    return notices.notice_id(station, slot, about=KIND)


def _words(station: StationState, slot: SlotState, part: str | None) -> str:
    where = f"{station.line} {station.station} {slot.name}"
    if slot.declared is None:
        return f"{where} was refilled and nobody said with what. How many parts were loaded?"
    what = f"{slot.declared} parts{f' of {part}' if part else ''}"
    return f"{where} was refilled and nobody said with what. {what} are assumed: is that right?"
