"""Supplies that have a name: what they take with them out of a slot, and where they are."""

from __future__ import annotations

from heapq import heappop

from service.domain.model import SECOND, Instant
from service.domain.state import SlotState, Stock, SupplyState, supply_key
from service.domain.world import World, touch_supply

USED_UP_KEPT = 86_400 * SECOND
"""After the last that was heard of a supply with nothing left; a late count or word comes sooner. Who names
them all empties tens of thousands a day."""


def slot_of(world: World, known: SupplyState) -> SlotState | None:
    """Where it is loaded; ``None``: nowhere, or at a line of another shard."""
    if known.where is None:
        return None
    line, station, slot = known.where
    place = world.stations.get((line, station))
    return None if place is None else place.slots.get(slot)


def part_with(world: World, slot: SlotState, *, stock: Stock | None) -> None:
    """A supply leaves its slot; one that has a name keeps its exposure and cells. ``stock`` is what is
    believed to be left in it."""
    (exposure, slot.exposure), (tray, slot.tray) = (slot.exposure, None), (slot.tray, None)
    slot.aged_told = None
    known = world.supplies.get(slot.supply) if slot.supply is not None else None
    if known is not None:
        known.stock, known.where, known.owed = stock, None, None
        known.exposure, known.tray, known.empty = exposure, tray, slot.empty
        known.kind, known.part = known.kind or slot.kind, known.part or slot.part
        touch_supply(world, known)
        world.word.moved.add(known.name)


def charge(world: World, name: str | None, parts: int) -> None:
    """Parts that a late count says came out of a supply that has left its slot since."""
    known = world.supplies.get(name) if name is not None else None
    if known is None:
        return
    slot = slot_of(world, known)
    if slot is not None and known.where is not None:
        world.station(*known.where[:2])
        slot.counted += parts
    elif known.shard is not None:
        if world.word.wanted:
            world.word.used[known.name] = world.word.used.get(known.name, 0) + parts
    elif known.stock is not None:
        known.stock.counted += parts
        touch_supply(world, known)


def stamp(world: World, at: Instant, *, moved: bool) -> None:
    """The event in hand is over: what it touched is as of now, and known from ourselves."""
    word = world.word
    for name in word.changed:
        known = world.supplies.get(name)
        if known is not None:
            known.at, known.shard = at, None
            known.moved = at if moved or name in word.moved else known.moved
            world.know(known)
    if word.wanted:
        word.supplies |= word.changed
    word.changed.clear()
    word.moved.clear()
    _forget_used_up(world, at - USED_UP_KEPT)


def _forget_used_up(world: World, until: Instant) -> None:
    """Supplies in which nothing is left, and of which nothing was heard since."""
    while world.used_up and world.used_up[0][0] <= until:
        at, name = heappop(world.used_up)
        known = world.supplies.get(name)
        if known is not None and known.is_used_up and known.at == at:
            del world.supplies[name]
            world.touched.add(supply_key(name))
