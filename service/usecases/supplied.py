"""The supplies that have a name: what each is, where, what is left in it, and its floor life."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import msgspec

from service.domain import opened
from service.domain.model import Instant
from service.domain.moisture import FloorLife
from service.domain.named import slot_of
from service.domain.state import SlotState, SupplyState
from service.domain.world import World
from service.usecases.lives import Json, life_object

PREFIX = "supply/"
_supplies = msgspec.msgpack.Decoder(SupplyState)
_ORDER = ("expired", "exposed", "unknown", "dry", "sealed")


def read_supplies(committed: Mapping[str, bytes], keys: Iterable[str]) -> list[SupplyState]:
    """Those of the keys that are supplies' and still there."""
    wanted = (key for key in keys if key.startswith(PREFIX))
    return [_supplies.decode(data) for key in wanted if (data := committed.get(key)) is not None]


def supply_objects(world: World, at: Instant) -> list[Json]:
    """Soonest over first; then those whose clock stands, then those without any, by name."""
    found = [(_life(world, known, at), known) for known in world.supplies.values()]
    found.sort(key=lambda each: (*_soonest(each[0]), each[1].name))
    return [_object(world, known, life, at) for life, known in found]


def _life(world: World, known: SupplyState, at: Instant) -> FloorLife | None:
    return opened.life_of(world, known.name, at)


def _soonest(life: FloorLife | None) -> tuple[int, int, int]:
    if life is None or life.unlimited:
        return 2, 0, 0
    ends_at = life.ends_at or life.over_by
    if life.state == "expired" or ends_at is not None:
        return 0, ends_at or 0, 0
    return 1, _ORDER.index(life.state), life.left or 0


def _object(world: World, known: SupplyState, life: FloorLife | None, at: Instant) -> Json:
    slot = slot_of(world, known)
    where = known.where if slot is not None else None
    return {
        "supply": known.name,
        "kind": known.kind,
        "part": known.part,
        "lot": known.lot,
        "where": None if where is None else dict(zip(("line", "station", "slot"), where, strict=True)),
        "left": _left(known, slot),
        "floor_life": life_object(life, at),
    }


def _left(known: SupplyState, slot: SlotState | None) -> int | None:
    if slot is not None:
        return slot.book
    return None if known.stock is None else known.stock.declared - known.stock.counted
