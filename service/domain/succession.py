"""Which supply follows which in a slot, and at which panel: the memory of lots, kept as things happen.

Called where a loading begins or ends, with the slot as it is after that; ``look`` after a count, for the few
slots with an edge that counts still have to show. It decides nothing else and tells nobody.
"""

from __future__ import annotations

from math import ceil

import msgspec

from service.domain import edges, runs
from service.domain.edges import Turn
from service.domain.events import SupplyMessage
from service.domain.lots import SlotStays
from service.domain.model import Instant
from service.domain.outcome import is_boundary_only
from service.domain.slot import MOST_AHEAD
from service.domain.state import SlotState, StationState
from service.domain.stays import (
    JOINT_PASSED,
    LOADED_OVER,
    RAN_EMPTY,
    REMOVED,
    SEEN_REFILLED,
    Edge,
    Stay,
)
from service.domain.world import World

MOST_ENDED = 2
"""Ended stays that stay at hand for what comes late."""
MOST_AT_HAND = MOST_AHEAD + 1 + MOST_ENDED
"""With what is joined ahead. Where no count ever comes, or no quantity is known, no end is settled."""
replace = msgspec.structs.replace


def turn(
    world: World,
    station: StationState,
    slot: SlotState,
    by: str | None,
    *,
    at: Instant,
    happened: Instant | None = None,
    moment: Instant | None = None,
    since: int = 0,
    timed: bool = True,
) -> Turn:
    """Call before anything of the slot changes."""
    happened = at if happened is None else happened
    moment = happened if moment is None else moment
    sight = world.sights_of(station)[slot.name]
    return Turn(world, station, slot, replace(slot), sight, by, happened, moment, at, since, timed)


def loaded(turn: Turn, message: SupplyMessage) -> None:
    """A supply replaced what was there."""
    chain = _begin(turn)
    edge = edges.here(turn, chain)
    if chain and chain[-1].feeds:
        chain = _end(chain, edge, _how(turn, LOADED_OVER), turn.by)
    else:
        edge = edges.after_gap(chain, edge)
    _keep(turn, [*chain, _new(turn, message, edge)])


def joined(turn: Turn, message: SupplyMessage) -> None:
    """A tape was joined behind what feeds; where nothing does, it feeds at once."""
    left = None if turn.was.book is None else turn.was.book + turn.since
    if turn.was.removed or turn.was.out_since is not None or (left is not None and left <= 0):
        loaded(turn, message)
        return
    chain = _begin(turn)
    edge = edges.joint(turn, turn.slot.used - turn.since, left)
    if chain:
        chain = [*chain[:-1], replace(chain[-1], ended=edge, how=JOINT_PASSED, ended_by=turn.by)]
    _keep(turn, [*chain, _new(turn, message, edge)])


def spliced(turn: Turn) -> None:
    """A sensor saw the joint pass: whatever the books say, from here on it is the tape behind it."""
    chain = _begin(turn)
    place = len(chain) - 1 - len(turn.slot.ahead)
    if place < 1:
        return
    edge = edges.here(turn, chain[:place])
    grey = turn.slot.grey
    if grey:
        edge = replace(edge, high=edge.used + grey - 1)
    chain[:place] = _end(chain[:place], edge, JOINT_PASSED, chain[place - 1].ended_by)
    chain[place] = replace(chain[place], begun=edge)
    ahead = edge.used
    for number in range(place, len(chain) - 1):
        ahead += turn.was.ahead[number - place]
        joint = edges.joint(turn, edge.used, ahead - edge.used)
        chain[number] = replace(chain[number], ended=joint)
        chain[number + 1] = replace(chain[number + 1], begun=joint)
    _keep(turn, chain)


def removed(turn: Turn) -> None:
    """Nothing is loaded any more."""
    chain = _begin(turn)
    if chain and chain[-1].feeds:
        _keep(turn, _end(chain, edges.here(turn, chain), _how(turn, REMOVED), turn.by))


def seen(turn: Turn, usage: float | None, panels: int, lead: float) -> None:
    """A refill was believed from the counts, of which the last brought so many ``panels``; people would have
    been told ``lead`` parts before the end."""
    chain = _begin(turn)
    edge = edges.seen(turn, chain, usage, panels, lead)
    if chain and chain[-1].feeds:
        empty = turn.was.out_since is not None
        chain = _end(chain, edge, RAN_EMPTY if empty else SEEN_REFILLED, None)
    elif chain:
        edge = edges.after_gap(chain, edge)
    slot = turn.slot
    stay = _stay(turn, slot.part, slot.kind, edge)
    _keep(turn, [*chain, replace(stay, quantity=slot.declared, assumed=True)])


def named(turn: Turn, message: SupplyMessage) -> None:
    """A late word about a believed refill: what it was, and when, where that is said."""
    chain = _begin(turn)
    if not chain or chain[-1].loading != turn.slot.loading:
        return
    slot = turn.slot
    stay = replace(
        chain[-1],
        kind=slot.kind,
        part=slot.part,
        lot=message.lot,
        supply=message.supply,
        quantity=slot.declared if message.quantity is None else message.quantity,
        assumed=slot.assumed,
        by=message.by,
    )
    earlier = message.at is not None and turn.moment < (chain[-1].begun.at or turn.at)
    if earlier and len(chain) > 1:
        edge = edges.here(turn, chain[:-1])
        chain[-2] = replace(chain[-2], ended=edge, ended_by=message.by)
        stay = replace(stay, begun=edge)
    _keep(turn, [*chain[:-1], stay])


def undone(world: World, station: StationState, slot: SlotState) -> None:
    """The exchange that ended the slot's loading of now never was: what it ended goes on."""
    known = world.stays.of((station.line, station.station, slot.name))
    if known.kept is None or known.kept[0] != slot.loading:
        return
    chain, known.kept = known.kept[1], None
    for stay in known.chain:
        if not any(_is_of(stay, each) for each in chain):
            world.stays.drop(known.place, stay)
    _write(world, known, chain)


def look(world: World, station: StationState, progress: int, at: Instant) -> None:
    """What a count shows of the edges that weren't settled; ``progress`` was the station's before it."""
    place = (station.line, station.station)
    waiting, slots = world.stays.waiting[place], station.slots
    due = [name for name, (parts, _) in waiting.items() if slots[name].used >= parts]
    due += [name for name, (_, before) in waiting.items() if slots[name].before > before]
    for name in sorted(set(due)):
        known = world.stays.of((*place, name))
        shown = _settled(world, station, slots[name], known.chain, progress, at)
        if shown != known.chain:
            _write(world, known, shown)


def _begin(turn: Turn) -> list[Stay]:
    """The slot's stays before the change, to be changed. What was there when we began to listen is one too,
    once it gave parts."""
    slot, was = turn.slot, turn.was
    chain = turn.world.stays.of((turn.station.line, turn.station.station, slot.name)).chain
    if chain:
        return _charged(chain, was.before, None)
    if not was.used or was.removed:
        return []
    first = was.loading == "first"
    usage = turn.sight.usage
    ago = ceil(was.used / usage) if usage else turn.station.progress
    early = 0 if first else max(0, turn.station.progress - ago - 1)
    at = None if first else was.loaded_at
    edge = Edge(at, 0, 0, 0, early, early if first else turn.station.progress - ago + 1)
    return [
        Stay(
            was.loading, was.kind, was.part, was.lot, was.supply, was.declared, was.assumed, None, edge,
            turn.at if at is None else at,
        )
    ]  # fmt: skip


def _new(turn: Turn, message: SupplyMessage, edge: Edge) -> Stay:
    """The supply that a message brought. A lot that nobody named isn't known."""
    slot = turn.slot
    stay = _stay(turn, slot.part, slot.kind, edge)
    declared = slot.ahead[-1] if message.change == "joined" and slot.ahead else slot.book
    return replace(
        stay,
        lot=message.lot,
        supply=message.supply,
        quantity=declared if message.quantity is None else message.quantity,
        assumed=slot.assumed and message.quantity is None,
        by=turn.by,
    )


def _stay(turn: Turn, part: str | None, kind: str | None, edge: Edge) -> Stay:
    return Stay(
        turn.slot.loading, kind, part, None, None, None, False, None, edge, turn.at, before=turn.slot.before
    )


def _how(turn: Turn, how: str) -> str:
    return RAN_EMPTY if turn.was.out_since is not None else how


def _end(chain: list[Stay], edge: Edge, how: str, by: str | None) -> list[Stay]:
    """All of them end at ``edge`` at the latest; what waited behind a joint that didn't pass fed nothing."""
    ended = list(chain)
    for place in range(len(ended) - 1):
        joint = ended[place].ended
        if joint is None or (joint.at is not None and joint.late is not None):
            continue
        passed = edges.cut(joint, edge)
        never = joint.early is None
        ended[place] = replace(ended[place], ended=passed, **({"how": how, "ended_by": by} if never else {}))
        ended[place + 1] = replace(ended[place + 1], begun=passed)
    ended[-1] = replace(ended[-1], ended=edge, how=how, ended_by=by)
    return ended


def _settled(
    world: World, station: StationState, slot: SlotState, chain: list[Stay], progress: int, at: Instant
) -> list[Stay]:
    """The stays as a count shows them: the panels at their edges, as far as they can be told now."""
    bounded = is_boundary_only(slot, world.sights_of(station)[slot.name])
    work = station.progress + (1 if slot.taken > 0 else 0) - (1 if bounded else 0)
    found = _charged(chain, slot.before, None if chain[-1].begun.late is not None else station.progress)
    for place, stay in enumerate(found):
        begun = edges.shown(stay.begun, slot.used, progress, work, at)
        ended = None if stay.ended is None else edges.shown(stay.ended, slot.used, progress, work, at)
        if begun is not stay.begun or ended is not stay.ended:
            found[place] = replace(stay, begun=begun, ended=ended)
    return found


def _charged(chain: list[Stay], before: int, progress: int | None) -> list[Stay]:
    """Late counts say what the supply before the last one still gave; while its end isn't settled it is then
    as late as they are."""
    found = list(chain)
    if not found or found[-1].before >= before:
        return found
    if len(found) > 1:
        more = before - found[-1].before
        found[-2] = replace(found[-2], late_parts=found[-2].late_parts + more)
    edge = found[-1].begun
    if progress is not None:
        edge = replace(edge, early=progress)
        if len(found) > 1 and found[-2].ended == found[-1].begun:
            found[-2] = replace(found[-2], ended=edge)
    found[-1] = replace(found[-1], before=before, begun=edge)
    return found


def _keep(turn: Turn, chain: list[Stay]) -> None:
    """The slot's stays are these from now on; how they stood before is kept for who takes it back."""
    world, station = turn.world, turn.station
    if (station.line, station.station) not in world.stays.runs:
        runs.mark(world, station, turn.at)
    known = world.stays.of((station.line, station.station, turn.slot.name))
    known.kept = (turn.was.loading, known.chain)
    _write(world, known, chain)


def _write(world: World, known: SlotStays, chain: list[Stay]) -> None:
    for stay in chain:
        if stay not in known.chain:
            world.stays.write(known.place, stay)
    known.chain = _at_hand(chain)
    world.stays.keep(known)


def _at_hand(chain: list[Stay]) -> list[Stay]:
    """Without those that nothing can change any more, and at most the last so many."""
    over = [stay for stay in chain if stay.ended is not None and stay.ended.is_settled]
    gone = over[:-MOST_ENDED]
    return [stay for stay in chain if not any(stay is each for each in gone)][-MOST_AT_HAND:]


def _is_of(stay: Stay, other: Stay) -> bool:
    """Whether both are one supply's time, told at two moments."""
    return (stay.loading, stay.first_at) == (other.loading, other.first_at)
