"""When a supply is over: what it taught goes to the memory, what the slot knows of itself is put right."""

from __future__ import annotations

from math import exp, sqrt

from service.domain import learning
from service.domain.depletion import learn
from service.domain.history import Booked, End
from service.domain.model import Instant
from service.domain.sight import Sight, basis_of, leading
from service.domain.slot import BURST
from service.domain.state import SlotState, StationState
from service.domain.world import World

UNREPORTED_MEMORY = 60_000.0
"""Placements: losses that are only seen as what is missing at the end are averaged over many supplies."""
MOST_MARKS = 12
_PLAIN = -4.0
"""Deviations below which what the books still have is no shortage."""


def settle(
    world: World, station: StationState, slot: SlotState, at: Instant, *, left: int | None = None
) -> list[Booked]:
    """The slot's supply is about to be replaced, or a person counted that ``left`` parts are in it. Call
    before anything of it changes. What was noted is given back, one or none.

    What it taught is how much there was in it: all that was counted, where it was empty, else more than that.
    Books with a doubt in them teach nothing; neither does a supply that was taken out long before its end.
    """
    declared, sight = slot.declared, world.sight(station, slot)
    if declared is None or slot.removed or slot.missing or slot.unseen or slot.counted <= 0:
        return []
    empty = slot.out_since is not None or left is not None
    surplus = _burst(slot, sight) if slot.out_since is not None else 0
    counted = slot.counted - slot.held + (left or 0) - surplus
    if not empty and counted - declared < sight.law.lowest:
        return []
    if empty:
        _note_mark(slot, sight, left or 0)
        _note_unreported(slot, declared, counted)
    slot.lost_evidence = max(0.0, slot.lost_evidence - surplus)
    end = End(
        at=at,
        declared=declared,
        counted=counted,
        empty=empty,
        lost=None if slot.blind else max(0, slot.lost - surplus),
        hidden=_odds(slot, sight) * slot.blind,
        labels=1 + slot.joints,
    )
    return [world.memory.note_end(slot.kind, sight.part, basis_of(slot), end)]


def settle_leading(world: World, station: StationState, slot: SlotState, at: Instant) -> None:
    """The joint behind the slot's leading tape passed: all that was counted is what was in it."""
    if slot.declared is None or slot.missing or slot.unseen:
        return
    sight = world.sight(station, slot)
    own, labels = leading(slot, slot.declared)
    if own <= 0 or labels < 1 or slot.counted <= 0:
        return
    end = End(
        at=at,
        declared=own,
        counted=slot.counted,
        empty=True,
        lost=None if slot.blind else slot.lost,
        hidden=_odds(slot, sight) * slot.blind,
        labels=labels,
    )
    world.memory.note_end(slot.kind, sight.part, basis_of(slot), end)


def astray(slot: SlotState, sight: Sight) -> bool:
    """Whether the books are so far from what a signal says that one of both must be wrong."""
    book = slot.book
    if book is None or slot.declared is None or slot.missing or slot.unseen:
        return False
    return book > learning.ASTRAY * slot.declared and (
        sight.law.exact or sight.law.deviate_of(float(-book)) < _PLAIN
    )


def is_partial(world: World, slot: SlotState, sight: Sight) -> bool:
    """Whether the supply just loaded was used before: it is said to hold clearly less than its like hold."""
    if slot.declared is None or slot.assumed or slot.exact:
        return False
    of_part = world.memory.find(slot.kind, sight.part)[1]
    seen = [] if of_part is None else of_part.ends.get(learning.LABEL, [])
    full = max((end.declared for end in seen), default=sight.rule.full or 0)
    return slot.declared < learning.PARTIAL_BELOW * full


def _odds(slot: SlotState, sight: Sight) -> float:
    return (sight.prior.a + slot.lost_evidence) / (sight.prior.b + slot.placed_evidence)


def _burst(slot: SlotState, sight: Sight) -> int:
    """Losses in the last parts beyond what is usual: the tape ended before its label did."""
    recent = slot.burst * exp((slot.burst_at - slot.counted) / BURST)
    usual = _odds(slot, sight) * BURST
    return round(recent - usual) if recent > usual + 2.0 + 2.0 * sqrt(usual) else 0


def _note_mark(slot: SlotState, sight: Sight, left: int) -> None:
    """How many parts there were when the sensor said low."""
    if not sight.rule.low_sensor or slot.low_counted is None:
        return
    slot.sensor_marks.append(slot.counted - slot.held - slot.low_counted + left)
    del slot.sensor_marks[:-MOST_MARKS]


def _note_unreported(slot: SlotState, declared: int, counted: int) -> None:
    """What is missing at the end was lost, as far as anybody can say."""
    if slot.blind:
        slot.lost_evidence, slot.placed_evidence = learn(
            slot.lost_evidence,
            slot.placed_evidence,
            slot.blind,
            max(0, declared - counted),
            UNREPORTED_MEMORY,
        )
