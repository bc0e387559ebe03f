"""A notice about a part that its slot doesn't want: loaded, about to be loaded, or accepted by a person.

One for a slot at a time. It ends when the right part is loaded, when the supply is taken out, or when the
slot wants that part after all. Nothing is refused here: what happened is told.
"""

from __future__ import annotations

from service.domain import life, notices, standing
from service.domain.events import Checked, SupplyMessage
from service.domain.fitting import Verdict, in_slot, wanted_in, wanted_since
from service.domain.life import Deed
from service.domain.model import Change, Instant, Level, Notice, NoticeState
from service.domain.notices import Told, one_supply
from service.domain.outcome import is_boundary_only
from service.domain.said import Said, Value
from service.domain.state import SlotState, Standing, StationState
from service.domain.world import World

KIND = "wrong part"


def judge(
    world: World,
    station: StationState,
    slot: SlotState,
    message: SupplyMessage,
    at: Instant,
    *,
    happened: Instant,
) -> list[Told]:
    """What is to be told of what a supply message loaded or joined. What names neither part nor supply says
    nothing new of the part; of what happened before the recipe of now began nobody can say that it was
    wrong."""
    if happened < wanted_since(world.line(station.line), station) <= at:
        return []
    live = find(world, station, slot.name)
    if message.part is None and message.supply is None and live is None:
        return []
    is_wrong = _verdict(world, station, slot, slot.part, at) is Verdict.WRONG
    if not is_wrong and message.change == "joined" and live is not None and live.loading is not None:
        return []  # behind a wrong tape the right one changes nothing yet
    told = end(world, station, slot.name, notices.REFILLED, at, by=message.by)
    return [*told, *_tell_loaded(world, station, slot, message, at)] if is_wrong else told


def refuse(world: World, station: StationState, slot: SlotState, checked: Checked, at: Instant) -> list[Told]:
    """Somebody was about to load a part that the slot doesn't want, and nothing was loaded. What is wrong in
    the slot already stays what is told."""
    if _verdict(world, station, slot, checked.part, at) is not Verdict.WRONG:
        return []
    live = find(world, station, slot.name)
    if live is not None and (live.loading is not None or live.part == checked.part):
        return []
    about = _about(world, station, slot, checked.part)
    words = Said(
        "{where}: {person} was about to load {part}, and {wanted} belongs there. Nothing was loaded. {bring}",
        about | {"person": checked.by},
    )
    told = end(world, station, slot.name, notices.ANSWERED, at, by=checked.by)
    return [*told, _open(world, station, slot, checked.part, words, at)]


def settle(world: World, station: StationState, at: Instant) -> list[Told]:
    """Recipe, orders or settings changed: what the slot wants now is no wrong part any more."""
    told: list[Told] = []
    for notice in _all_at(world, station):
        slot = station.slots.get(notice.slot or "")
        if slot is not None and _verdict(world, station, slot, notice.part) is not Verdict.WRONG:
            told += end(world, station, slot.name, standing.ENDED, at)
    return told


def settle_line(world: World, line: str, at: Instant) -> list[Told]:
    return [each for station in world.stations_of(line) for each in settle(world, station, at)]


def end(
    world: World, station: StationState, slot: str, because: str, at: Instant, *, by: str | None = None
) -> list[Told]:
    """It is over. The reason for which it was accepted stays in it."""
    notice = find(world, station, slot)
    if notice is None:
        return []
    bearer = world.standing[notice.id]
    told = notices.close(bearer, because, at, by=by, reason=notice.reason)
    world.stand(bearer)
    return [] if told is None else [told]


def find(world: World, station: StationState, slot: str) -> Notice | None:
    """The slot's notice, while it is live. One with a ``loading`` is about what is in the slot."""
    found = standing.find(world, KIND, slot, line=station.line, station=station.station)
    return None if found is None else found.notice


def _all_at(world: World, station: StationState) -> list[Notice]:
    names = sorted(world.standing_at.get((station.line, station.station), ()))
    found = (world.standing[name].notice for name in names)
    return [notice for notice in found if notice is not None and notice.kind == KIND]


def _verdict(
    world: World, station: StationState, slot: SlotState, part: str | None, at: Instant | None = None
) -> Verdict:
    usual = world.sights_of(station)[slot.name].rule.part
    return in_slot(world.line(station.line), station, slot, part, world.policy, usual, at=at).verdict


def _tell_loaded(
    world: World, station: StationState, slot: SlotState, message: SupplyMessage, at: Instant
) -> list[Told]:
    """Whoever accepts it with a reason has taken it: it calls for nobody, and shows until the part is out."""
    about = _about(world, station, slot, slot.part)
    if message.by is None:
        words = Said("{where}: {part} was loaded, and {wanted} belongs there. {bring}", about)
    elif message.reason is None:
        about |= {"person": message.by}
        words = Said("{where}: {person} loaded {part}, and {wanted} belongs there. {bring}", about)
    else:
        about |= {"person": message.by, "reason": message.reason}
        words = Said("{where}: {part} in place of {wanted}, accepted by {person}: {reason}", about)
    by, reason = (message.by, message.reason) if message.by and message.reason else (None, None)
    return [
        _open(world, station, slot, slot.part, words, at, loading=slot.loading, taken_by=by, reason=reason)
    ]


def _about(world: World, station: StationState, slot: SlotState, part: str | None) -> dict[str, Value]:
    sight = world.sights_of(station)[slot.name]
    wanted = wanted_in(world.line(station.line), station, slot.name, usual=sight.rule.part).part
    when = (
        Said("between two panels, by a stop at the end of the panel")
        if is_boundary_only(slot, sight)
        else Said("while it runs")
    )
    bring = Said("Bring {supply}; exchange {when}.", {"supply": one_supply(slot.kind, wanted), "when": when})
    where = f"{station.line} {station.station} {slot.name}"
    return {"where": where, "part": part or "", "wanted": wanted or "", "bring": bring}


def _open(
    world: World,
    station: StationState,
    slot: SlotState,
    part: str | None,
    words: Said,
    at: Instant,
    *,
    loading: str | None = None,
    taken_by: str | None = None,
    reason: str | None = None,
) -> Told:
    state = life.after(Deed.DUE, None)
    notice = standing.anew(
        world,
        KIND,
        words,
        at,
        name=standing.name_of(KIND, station.line, station.station, slot.name, at),
        level=Level.URGENT,
        line=station.line,
        station=station.station,
        slot=slot.name,
        part=part,
        supply_kind=slot.kind,
        boundary_only=is_boundary_only(slot, world.sights_of(station)[slot.name]),
        state=(life.after(Deed.TAKE, state, by=taken_by) if taken_by else state) or NoticeState.OPEN,
        taken_by=taken_by,
        reason=reason,
        loading=loading,
        about=slot.name,
    )
    world.stand(Standing(notice))
    return Told(notice, Change.OPENED, calls=taken_by is None)
