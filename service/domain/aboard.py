"""A supply message beyond its parts: the cells of its trays, and how long it has lain open.

Wraps what ``refills`` and ``undo`` do; knows nothing of how parts are counted.
"""

from __future__ import annotations

import msgspec

from service.domain import expiry, opened, refills, stacks, undo
from service.domain.events import SupplyMessage
from service.domain.model import Instant
from service.domain.named import slot_of
from service.domain.notices import Told
from service.domain.policy import SlotRule
from service.domain.state import SlotState, StationState, SupplyState
from service.domain.trays import Filling
from service.domain.world import World, touch_supply


def apply(world: World, station: StationState, message: SupplyMessage, at: Instant) -> list[Told] | None:
    """What the message does to parts, cells and exposure. ``None``: it was applied before."""
    slot = world.slot(station, message.slot)
    rule = world.sight(station, slot).rule
    filling, passed = stacks.filling_of(slot, rule, message.trays), stacks.passed(slot)
    known = world.supplies.get(message.supply) if message.supply is not None else None
    was = None if known is None else known.where
    _look_at(world, known)
    there = None if known is None else slot_of(world, known)
    brings = known is not None and (known.where is not None or known.stock is not None)
    told = refills.apply(world, station, _with_quantity(message, filling, brings=brings), at)
    if told is None:
        return None
    if message.change in ("loaded", "joined"):
        _take_aboard(world, slot, message, at)
        _lay_out(slot, message, rule, filling, carried=brings)
    elif message.change == "counted":
        stacks.count(slot, rule, filling, passed)
    told += expiry.settle(world, station, slot, at, by=message.by)
    if was is not None and there is not None and there is not slot:
        told += _settle_at(world, was, at, message.by)
    return told


def _look_at(world: World, known: SupplyState | None) -> None:
    """Where a supply leaves another slot, what was promised of that is judged by what was known until now."""
    slot = None if known is None else slot_of(world, known)
    if slot is not None and known is not None and known.where is not None:
        world.sight(world.stations[known.where[:2]], slot)


def undone(world: World, line: str, station: str, message: SupplyMessage, at: Instant) -> list[Told] | None:
    """The slot is again as it was, and its notice about the floor life is told anew; what is known of the
    supply that was in it goes with that."""
    known = world.stations.get((line, station))
    slot = None if known is None else known.slots.get(message.slot)
    supply, exposure = (None, None) if slot is None else (slot.supply, slot.exposure)
    told = undo.apply(world, line, station, message, at)
    if told is None:
        return None
    out = world.supplies.get(supply) if supply is not None else None
    if out is not None and out.where is None and out.exposure is None:
        out.exposure = exposure
        touch_supply(world, out)
    world.stations[line, station].slots[message.slot].aged_told = None
    return told + _settle_at(world, (line, station, message.slot), at, message.by)


def _settle_at(world: World, place: tuple[str, str, str], at: Instant, by: str | None) -> list[Told]:
    line, name, slot = place
    station = world.station(line, name)
    return expiry.settle(world, station, station.slots[slot], at, by=by)


def _with_quantity(message: SupplyMessage, filling: Filling | None, *, brings: bool) -> SupplyMessage:
    """Where nobody said the parts, the most that the trays can hold; what a supply known by name brings along
    is better, unless somebody says at which cell it stands."""
    if filling is None or message.quantity is not None or message.change not in ("loaded", "joined"):
        return message
    if brings and filling.passed is None:
        return message
    return msgspec.structs.replace(message, quantity=stacks.quantity_of(filling))


def _take_aboard(world: World, slot: SlotState, message: SupplyMessage, at: Instant) -> None:
    """What is known of a named supply is the slot's from now on. A tape that is joined rules at once: what is
    left of the one before is used up soon."""
    known = world.supplies.get(message.supply) if message.supply is not None else None
    if message.change == "joined" and known is None:
        slot.exposure = slot.aged_told = None
    if known is not None:
        slot.exposure, known.exposure = known.exposure, None
        slot.tray, slot.empty, known.tray, known.empty = known.tray, known.empty, None, 0
    happened = slot.loaded_at if message.change == "loaded" else None
    opened.load(world, slot, message, at if happened is None else happened)


def _lay_out(
    slot: SlotState, message: SupplyMessage, rule: SlotRule, filling: Filling | None, *, carried: bool
) -> None:
    if message.change == "joined":
        slot.tray = None
    elif not carried or slot.tray is None or message.quantity is not None or _says_cell(filling):
        stacks.load(slot, rule, filling, said=message.quantity is not None)


def _says_cell(filling: Filling | None) -> bool:
    return filling is not None and filling.passed is not None
