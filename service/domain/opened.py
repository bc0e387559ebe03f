"""What is done to a supply as far as moisture goes: opened, laid dry, taken out, baked, loaded. A supply with
a name keeps it wherever it goes; of one without it is known while it is in its slot."""

from __future__ import annotations

from datetime import datetime

from service.domain.events import SupplyCare, SupplyMessage
from service.domain.model import SECOND, Instant, from_datetime
from service.domain.moisture import Cared, Exposure, FloorLife, floor_life, note, read_level
from service.domain.named import slot_of
from service.domain.policy import moisture_level
from service.domain.state import SlotState, SupplyState
from service.domain.world import World, touch_supply

_MOST_HOURS = 100_000
_AT_MOST_AGO = 20 * 365 * 86_400 * SECOND
"""Nothing lies so long; who says so has a clock that nobody set."""


def load(world: World, slot: SlotState, message: SupplyMessage, happened: Instant) -> None:
    """What is in the slot now lies open, if it is or may be sensitive to moisture. It was opened before it
    was loaded, whatever is said."""
    exposure = slot.exposure or Exposure()
    exposure.level = read_level(message.moisture_level) or exposure.level
    exposure.hours = _hours(message.floor_hours) or exposure.hours
    opened_at = _believed(message.opened_at, happened)
    known = exposure.level or exposure.changes or opened_at is not None
    if not known and moisture_level(world.policy, slot.part) is None:
        slot.exposure = None
        return
    if opened_at is not None:
        note(exposure, Cared(opened_at, "opened", by=message.by))
    note(exposure, Cared(happened, "loaded", by=message.by))
    slot.exposure = exposure


def apply(world: World, care: SupplyCare, at: Instant) -> SupplyState:
    """Note what somebody did to a supply; one that wasn't heard of comes into being."""
    known = world.supplies.get(care.supply) or SupplyState(care.supply)
    known.part = care.part or known.part
    slot = slot_of(world, known)
    bearer = known if slot is None else slot
    exposure = bearer.exposure or Exposure()
    exposure.level = read_level(care.moisture_level) or exposure.level
    exposure.hours = care.floor_hours or exposure.hours
    said_at = _believed(care.at, at)
    happened = at if said_at is None else said_at
    note(exposure, Cared(happened, care.change, care.humidity, care.by))
    bearer.exposure = exposure
    touch_supply(world, known)
    return known


def _believed(said: datetime | None, at: Instant) -> Instant | None:
    """When it was, not after ``at``; ``None``: nobody says, or nobody can have known."""
    moment = None if said is None else min(from_datetime(said), at)
    return None if moment is None or moment < at - _AT_MOST_AGO else moment


def life_in(world: World, slot: SlotState, at: Instant) -> FloorLife | None:
    """The floor life of what is in the slot; ``None`` where nothing is, or nobody says that it has any."""
    level = moisture_level(world.policy, slot.part)
    if slot.removed or (slot.exposure is None and level is None):
        return None
    exposure = slot.exposure
    if exposure is None and slot.loaded_at is not None and not slot.joints:
        # Nobody knows what was before; since then at least it has lain open.
        exposure = Exposure([Cared(slot.loaded_at, "loaded")])
    return floor_life(exposure, level, world.policy.floor_life, at)


def life_of(world: World, supply: str | None, at: Instant, *, part: str | None = None) -> FloorLife | None:
    """The floor life of a supply by its name, before it is loaded or where it is; ``part`` and whatever else
    a label says go for what isn't known. ``None`` where nobody says that it has any. What was just done
    counts, though the clock that is asked be a little behind."""
    known = world.supplies.get(supply) if supply is not None else None
    slot = None if known is None else slot_of(world, known)
    if slot is not None:
        return life_in(world, slot, max(at, _last(slot.exposure)))
    level = moisture_level(world.policy, part if known is None else known.part or part)
    exposure = None if known is None else known.exposure
    if exposure is None and level is None:
        return None
    return floor_life(exposure, level, world.policy.floor_life, max(at, _last(exposure)))


def _last(exposure: Exposure | None) -> Instant:
    return exposure.changes[-1].at if exposure is not None and exposure.changes else 0


def _hours(raw: object) -> float | None:
    if isinstance(raw, bool) or not isinstance(raw, int | float):
        return None
    return float(raw) if 0 < raw <= _MOST_HOURS else None
