"""What a shard does with what another told it: ends that teach, and supplies that came or went.

Of one supply the latest word holds: when it was last moved decides, then when anything of it last changed.
"""

from __future__ import annotations

import msgspec

from service.domain import expiry, refills, word
from service.domain import slot as supplies
from service.domain.events import Elsewhere
from service.domain.history import Booked
from service.domain.model import Instant
from service.domain.moisture import Exposure, note
from service.domain.named import charge, part_with, slot_of
from service.domain.notices import Told
from service.domain.outcome import judge_slot
from service.domain.room import MOST_SUPPLIES
from service.domain.state import SupplyState, supply_key
from service.domain.word import HeardOf, Taught
from service.domain.world import World, touch_supply

replace = msgspec.structs.replace


def apply(world: World, message: Elsewhere, at: Instant) -> list[Told] | None:
    """``None``: it was heard before."""
    key = word.heard_key(message.shard)
    if key in world.memory.heard and message.position <= world.memory.heard[key].position:
        return None
    heard = world.memory.heard_of(message.shard)
    heard.position = message.position
    for each in message.taught:
        _learn(world, heard, each)
    word.forget_old(heard, at)
    told: list[Told] = []
    for supply in message.supplies:
        told += _hear(world, message.shard, supply, at)
    for name, parts in sorted(message.used.items()):
        told += _charge(world, name, parts, at)
    for supply in message.left:
        told += _take_over(world, supply, at)
    return told


def _learn(world: World, heard: HeardOf, taught: Taught) -> None:
    """As if it had been here, without telling it on."""
    memory, wanted = world.memory, world.word.wanted
    world.word.wanted = False
    if not taught.undone:
        heard.booked.append(memory.note_end(taught.kind, taught.part, taught.basis, taught.end))
    else:
        same = [each for each in heard.booked if _is_of(each, taught)]
        booked = same[-1] if same else Booked(taught.kind, taught.part, taught.basis, taught.end, ([], []))
        heard.booked = [each for each in heard.booked if each is not booked]
        memory.take_back(booked)
    world.word.wanted = wanted


def _is_of(booked: Booked, taught: Taught) -> bool:
    return (booked.kind, booked.part, booked.basis, booked.end) == (
        taught.kind,
        taught.part,
        taught.basis,
        taught.end,
    )


def _hear(world: World, shard: str, said: SupplyState, at: Instant) -> list[Told]:
    known = world.supplies.get(said.name)
    if known is None and len(world.supplies) >= MOST_SUPPLIES:
        return []
    if known is not None and _order(said) <= _order(known):
        return []
    here = None if known is None else slot_of(world, known)
    if known is None or known.where is None or here is None or here.removed:
        _keep(world, shard, said)
        return []
    place = known.where
    station = world.station(*place[:2])
    if said.moved == known.moved:  # somebody did something to it there that concerns it here
        here.exposure = _both(here.exposure, said.exposure)
        return expiry.settle(world, station, here, at)
    part_with(world, here, stock=supplies.stock_of(here))
    world.word.changed.discard(said.name)
    world.word.moved.discard(said.name)
    if said.where is not None and world.word.wanted:
        world.word.left[said.name] = replace(known)
    _keep(world, shard, said)
    told = refills.take_away(world, station, here, happened=at, at=at)
    return told + expiry.settle(world, station, here, at)


def _order(supply: SupplyState) -> tuple[Instant, Instant]:
    return supply.moved or 0, supply.at or 0


def _keep(world: World, shard: str, said: SupplyState) -> None:
    """As it was told, with what was left in it when it went. A slot of ours that an exchange there, taken
    back since, had emptied doesn't get it back: it lies outside, and the others are told so."""
    before = world.supplies.get(said.name)
    known = replace(said, shard=shard, owed=None)
    if said.where is not None and before is not None:
        known.stock = said.stock or before.stock
    world.know(known)
    world.touched.add(supply_key(known.name))
    here = slot_of(world, known)
    if here is not None and here.supply != known.name:
        known.where = None
        touch_supply(world, known)


def _both(one: Exposure | None, other: Exposure | None) -> Exposure | None:
    if one is None or other is None:
        return one or other
    both = Exposure(list(one.changes), one.level or other.level, one.hours or other.hours)
    for each in other.changes:
        note(both, each)
    return both


def _charge(world: World, name: str, parts: int, at: Instant) -> list[Told]:
    """Only who has it, or had it last, takes them off."""
    known = world.supplies.get(name)
    if known is None or known.shard is not None:
        return []
    charge(world, name, parts)
    here = slot_of(world, known)
    if here is None or known.where is None:
        return []
    station = world.station(*known.where[:2])
    world.look(station, here)
    return judge_slot(world, station, here, at)


def _take_over(world: World, left: SupplyState, at: Instant) -> list[Told]:
    """What was left in a supply that was loaded here straight out of a slot there; what was used of it here
    since stays used."""
    known = world.supplies.get(left.name)
    here = None if known is None else slot_of(world, known)
    if known is None or known.where is None or here is None or known.owed is None or here.supply != left.name:
        return []
    before, known.owed = known.owed, None
    world.touched.add(supply_key(known.name))
    station = world.station(*known.where[:2])
    here.exposure = _both(left.exposure, here.exposure)
    here.tray, here.empty = left.tray or here.tray, here.empty + left.empty
    if left.stock is not None and not here.exact:
        supplies.carry_on(here, left.stock, instead_of=before)
    world.look(station, here)
    return judge_slot(world, station, here, at) + expiry.settle(world, station, here, at)


def say(world: World, shard: str) -> Elsewhere | None:
    """What the others are to be told of all that happened since this was asked last; ``None``: nothing."""
    said = world.word
    known = [world.supplies[name] for name in sorted(said.supplies) if name in world.supplies]
    told = Elsewhere(
        shard=shard,
        taught=tuple(said.taught),
        supplies=tuple(each for each in known if each.shard is None),
        used=dict(said.used),
        left=tuple(said.left.values()),
    )
    said.clear()
    return told if told.taught or told.supplies or told.used or told.left else None
