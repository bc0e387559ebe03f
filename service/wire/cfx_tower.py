"""What an IPC-2591 (CFX) station's state and faults look like on a signal tower.

The standard knows no tower, and our contract speaks of nothing else, so this is our own reading: green is on
in a productive state; yellow flashes while a supply is low, with the buzzer while one is out, and in the
state 5500 (supply material is empty); red is on while a fault stops the station and in any other unscheduled
downtime. A supply is out by ``MaterialsEmpty`` or a fault ``PartsExhaust`` or ``PartsPartiallyExhaust``, low
by ``LowQuantity``. In all other states (starved, blocked, scheduled exchange, not scheduled) the tower is
dark: the station waits. One whose state was never told runs, unless something else stops it.
"""

from __future__ import annotations

from typing import Any

import msgspec

from service.domain.model import Instant
from service.wire.cfx_read import Trouble
from service.wire.cfx_states import OUT_OF_SUPPLY, PRODUCTIVE, UNSCHEDULED_DOWN
from service.wire.cfx_turn import Turn

_MOST = 64
"""Faults of one kind at one station; the oldest are forgotten."""


class Showing(msgspec.Struct, array_like=True):
    """``state`` since ``at``; slots that are ``out`` or ``low``, each with the fault that says so (empty:
    none does); faults that stop the station; ``said``: what we said last."""

    state: int | None = None
    at: Instant | None = None
    out: dict[str, str] = {}
    low: dict[str, str] = {}
    stopped: list[str] = []
    said: dict[str, Any] | None = None


def enter(showing: Showing, state: int, at: Instant) -> None:
    """The station is in another state. What was out is exchanged when it leaves the state that waits for
    that, and what stopped it is over when it produces."""
    if showing.state == OUT_OF_SUPPLY and state != OUT_OF_SUPPLY:
        showing.out.clear()
    if state == PRODUCTIVE:
        showing.stopped.clear()
    showing.state, showing.at = state, at


def was_missed(showing: Showing, state: int, began: Instant) -> bool:
    """Whether it is news that it was in ``state`` from then on, after all else that is known."""
    return showing.state not in (None, state) and showing.at is not None and began > showing.at


def begin(showing: Showing, trouble: Trouble, turn: Turn) -> None:
    """A fault occurred. One that stopped the station before its present state is over."""
    slot = trouble.place.slot or ""
    match trouble.means:
        case "out":
            _note(showing.out, slot, trouble.name)
        case "low":
            _note(showing.low, slot, trouble.name)
        case "stopped" if trouble.name not in showing.stopped and not turn.is_late(showing.at):
            showing.stopped.append(trouble.name)
            del showing.stopped[:-_MOST]


def end(showing: Showing, fault: str) -> None:
    """It was cleared."""
    for slots in (showing.out, showing.low):
        for slot in [slot for slot, name in slots.items() if name == fault]:
            del slots[slot]
    if fault in showing.stopped:
        showing.stopped.remove(fault)


def run_out(showing: Showing, slot: str) -> None:
    _note(showing.out, slot, "")


def refill(showing: Showing, slot: str) -> None:
    """There is something in the slot again."""
    showing.out.pop(slot, None)
    showing.low.pop(slot, None)


def tower(showing: Showing) -> dict[str, Any] | None:
    """What to say, without its time; ``None``: it looks as it did, or nothing is known of it."""
    if showing.said is None and showing.state is None and not (showing.out or showing.low or showing.stopped):
        return None
    out = bool(showing.out) or showing.state == OUT_OF_SUPPLY
    red = bool(showing.stopped) or (showing.state == UNSCHEDULED_DOWN and not out)
    runs = not out if showing.state is None else showing.state == PRODUCTIVE
    lamps = {
        "red": "on" if red else "off",
        "yellow": "flashing" if out or showing.low else "off",
        "green": "on" if runs and not red else "off",
    }
    named = showing.out if out else showing.low
    said = {"lamps": lamps, "buzzer": "on" if out else "off", "slots": sorted(named)}
    if said == showing.said:
        return None
    showing.said = said
    return said


def _note(slots: dict[str, str], slot: str, fault: str) -> None:
    slots[slot] = fault
    while len(slots) > _MOST:
        del slots[next(iter(slots))]
