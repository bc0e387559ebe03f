"""An exchange is taken back: for a minute after it the slot, its notices, its named supplies and what was
learned can be again what they were.

What was counted since came out of the old supply. Later, or once anything else happened to the slot, nothing
is taken back: whoever asks is told so by others.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeVar

import msgspec

from service.domain import notices, questions, ready, record, succession, wrong_part
from service.domain import slot as supplies
from service.domain.depletion import learn
from service.domain.events import SupplyMessage
from service.domain.history import Booked
from service.domain.model import SECOND, Change, Instant, Notice, NoticeState, to_rfc3339
from service.domain.named import slot_of
from service.domain.notices import Told
from service.domain.outcome import judge_slot
from service.domain.state import Exchanged, SlotState, Standing, StationState, Stock, SupplyState
from service.domain.world import World, touch_supply

UNDONE = "undone"
MINUTE = 60 * SECOND
State = TypeVar("State", bound=msgspec.Struct)
_OF_THE_SLOT = (
    "base_placed",
    "base_lost",
    "base_empty",
    "taken",
    "usage_reports",
    "learned",
    "reported_panels",
    "supply_ids",
    "pending",
    "pending_panels",
    "unsaid",
    "usage_off",
    "usage_said",
    "used",
)
"""What belongs to the slot, whatever is in it."""


@dataclass(slots=True, kw_only=True)
class Mark:
    """How things were before an exchange; ``booked`` is filled in while it happens."""

    before: SlotState
    supplies: list[SupplyState]
    other: tuple[str, str, SlotState] | None
    standing: list[Standing]
    ready: dict[tuple[str, str | None], int]
    booked: list[Booked] = field(default_factory=list)


def mark(world: World, station: StationState, slot: SlotState, message: SupplyMessage) -> Mark:
    """Call before a supply is loaded or joined."""
    names = dict.fromkeys(name for name in (slot.supply, message.supply) if name is not None)
    known = world.supplies.get(message.supply) if message.supply is not None else None
    other = None
    if known is not None and known.where not in (None, (station.line, station.station, slot.name)):
        other = _elsewhere(world, known)
    return Mark(
        before=_as_it_is(slot),
        supplies=[_copy(world.supplies[name]) for name in names if name in world.supplies],
        other=other,
        standing=[_copy(each) for each in _beside(world, station, slot)],
        ready=_ready(world, station),
    )


def keep(
    world: World,
    station: StationState,
    slot: SlotState,
    message: SupplyMessage,
    mark: Mark,
    *,
    event: str,
    at: Instant,
) -> None:
    """The exchange has happened: it can be taken back from now on."""
    slot.exchanged = Exchanged(
        event=event,
        at=at,
        loading=slot.loading,
        before=msgspec.msgpack.encode(mark.before),
        by=message.by,
        supply=message.supply,
        quantity=message.quantity,
        counted=slot.counted,
        blind=slot.blind,
        lost=slot.lost,
        earlier=slot.before,
        supplies=mark.supplies,
        other=mark.other,
        other_loading=None if mark.other is None else _loading(world, mark.other),
        ended=[each for each in mark.standing if each.notice and each.notice.id not in world.standing],
        booked=mark.booked,
        outcomes=_outcomes(world, station, mark, at),
        ready=_used(mark.ready, _ready(world, station)),
    )
    if slot.name in station.undoable:
        station.undoable.remove(slot.name)
    station.undoable.append(slot.name)


def forget(station: StationState, slot: SlotState) -> None:
    """Something else happened to the slot: what was before can't be brought back."""
    slot.exchanged = None
    if slot.name in station.undoable:
        station.undoable.remove(slot.name)


def expire(station: StationState, at: Instant) -> None:
    """Forget the exchanges whose minute is over; the oldest stand first."""
    if station.undoable and not _is_over(station, station.undoable[0], at):
        return
    for name in list(station.undoable):
        if _is_over(station, name, at):
            forget(station, station.slots[name])


def _is_over(station: StationState, name: str, at: Instant) -> bool:
    kept = station.slots[name].exchanged
    return kept is None or at - kept.at > MINUTE


def can_undo(slot: SlotState, event: str, at: Instant) -> bool:
    kept = slot.exchanged
    return (
        kept is not None and kept.event == event and kept.loading == slot.loading and at - kept.at <= MINUTE
    )


def apply(world: World, line: str, name: str, message: SupplyMessage, at: Instant) -> list[Told] | None:
    """The slot is as it was before. ``None``: it can't be any more, nothing changes."""
    known = world.stations.get((line, name))
    slot = None if known is None else known.slots.get(message.slot)
    if slot is None or slot.exchanged is None or not can_undo(slot, message.undoes or "", at):
        return None
    station, kept = world.station(line, name), slot.exchanged
    slot.supply_ids = [*slot.supply_ids, message.id or f"undone-{at}"][-supplies.MOST_IDS :]
    told = _end_now(world, station, slot, at, message.by)
    for booked in kept.booked:
        world.memory.take_back(booked)
    for kind, outcome in kept.outcomes:
        told += record.take_back(world, kind, outcome, at)
    forget(station, slot)
    back = _since(kept, slot)
    told += _put_back(world, station, back, at)
    told += [one for each in kept.ended for one in _reopened(world, each, at)]
    told += _give_back(world, kept, at)
    if kept.ready is not None:
        ready.put_back(world, station, *kept.ready, by=message.by or "", at=at)
    supplies.settle_doubt(station)
    return told + judge_slot(world, station, station.slots[slot.name], at)


def _end_now(world: World, station: StationState, slot: SlotState, at: Instant, by: str | None) -> list[Told]:
    """What was told of the new supply is over; what its warning promised isn't judged."""
    slot.warned = None
    told = questions.end_loading(world, station, slot, UNDONE, at, by=by)
    return told + wrong_part.end(world, station, slot.name, UNDONE, at, by=by)


def _since(kept: Exchanged, now: SlotState) -> SlotState:
    """The slot as it was, with what was counted since."""
    back = msgspec.msgpack.decode(kept.before, type=SlotState)
    for name in _OF_THE_SLOT:
        setattr(back, name, getattr(now, name))
    back.used += now.before - kept.earlier
    used = now.counted - kept.counted + now.before - kept.earlier
    lost, blind = max(0, now.lost - kept.lost), max(0, now.blind - kept.blind)
    back.out_since = back.out_since or now.out_since
    back.low_since = back.low_since or now.low_since
    if used <= 0:
        return back
    if back.removed or back.out_since is not None:
        back.held += used
    if not back.removed:
        back.counted, back.lost, back.blind = back.counted + used, back.lost + lost, back.blind + blind
    back.lost_evidence, back.placed_evidence = learn(
        back.lost_evidence, back.placed_evidence, max(0, used - lost - blind), lost
    )
    return back


def _put_back(world: World, station: StationState, back: SlotState, at: Instant) -> list[Told]:
    """The slot is this one again; a notice that was live then is open again as it was."""
    told: list[Told] = []
    station.slots[back.name] = back
    if notices.is_live(back.notice) and back.notice is not None:
        back.notice = _anew(back.notice, at)
        told.append(_told(back.notice))
    world.look(station, back)
    world.note(station, back)
    succession.undone(world, station, back)
    return told


def _reopened(world: World, standing: Standing, at: Instant) -> list[Told]:
    if standing.notice is None:
        return []
    standing.notice = _anew(standing.notice, at)
    world.stand(standing)
    return [_told(standing.notice)]


def _anew(notice: Notice, at: Instant) -> Notice:
    """After the version that said it was closed."""
    return msgspec.structs.replace(notice, version=notice.version + 2, changed_at=to_rfc3339(at))


def _told(notice: Notice) -> Told:
    return Told(notice, Change.OPENED, calls=notice.state == NoticeState.OPEN)


def _give_back(world: World, kept: Exchanged, at: Instant) -> list[Told]:
    """Named supplies are where they were; one that nobody knew before lies outside, with what was said to be
    in it."""
    told: list[Told] = []
    new = world.supplies.get(kept.supply) if kept.supply is not None else None
    if new is not None:
        new.where = None
        new.stock = None if kept.quantity is None else Stock(kept.quantity)
        touch_supply(world, new)
    for supply in kept.supplies:
        touch_supply(world, supply)
    if kept.other is None:
        return told
    line, name, before = kept.other
    station = world.station(line, name)
    if station.slots[before.name].loading == kept.other_loading:
        told = _put_back(world, station, _held_since(before, station.slots[before.name]), at)
        return told + judge_slot(world, station, before, at)
    moved = world.supplies.get(kept.supply or "")
    if moved is not None:
        moved.where, moved.stock = None, supplies.stock_of(before)
    return told


def _held_since(before: SlotState, now: SlotState) -> SlotState:
    """What was placed while nothing was believed to be in it came out of what was in it."""
    for name in _OF_THE_SLOT:
        setattr(before, name, getattr(now, name))
    before.counted += now.held
    before.lost_evidence, before.placed_evidence = now.lost_evidence, now.placed_evidence
    return before


def _beside(world: World, station: StationState, slot: SlotState) -> list[Standing]:
    """The live notices of the slot that aren't about its emptying."""
    asked = world.standing.get(notices.notice_id(station, slot, about=questions.KIND))
    wrong = wrong_part.find(world, station, slot.name)
    found = [asked, None if wrong is None else world.standing.get(wrong.id)]
    return [each for each in found if each is not None]


def _elsewhere(world: World, supply: SupplyState) -> tuple[str, str, SlotState] | None:
    there = slot_of(world, supply)
    if supply.where is None or there is None:
        return None
    return *supply.where[:2], _as_it_is(there)


def _loading(world: World, other: tuple[str, str, SlotState]) -> str:
    line, name, before = other
    return world.stations[line, name].slots[before.name].loading


def _outcomes(world: World, station: StationState, mark: Mark, at: Instant) -> list:  # type: ignore[type-arg]
    """What became of the warnings that the exchange cut short, by kind of supply."""
    places = [(station.line, station.station, mark.before)]
    places += [] if mark.other is None else [mark.other]
    return [
        (before.kind, outcome)
        for line, name, before in places
        if before.warned is not None
        for outcome in record.noted(world, before.kind, world.stations[line, name], before.name, at)
    ]


def _ready(world: World, station: StationState) -> dict[tuple[str, str | None], int]:
    return {(each.part, each.kind): each.supplies for each in world.line(station.line).ready}


def _used(
    before: dict[tuple[str, str | None], int], now: dict[tuple[str, str | None], int]
) -> tuple[str, str | None] | None:
    return next((which for which, number in before.items() if now.get(which, 0) < number), None)


def _as_it_is(slot: SlotState) -> SlotState:
    copied = _copy(slot)
    copied.exchanged = None
    return copied


def _copy(state: State) -> State:
    return msgspec.msgpack.decode(msgspec.msgpack.encode(state), type=type(state))
