"""What is remembered of one slot of an IPC-2591 (CFX) station, and how its parts are counted.

Every message says what was used, what was spoiled and what is left afterwards, so that a lost one shows:
``left before - used - spoiled - left after`` are the parts of messages that never came. They are counted with
the next one that does. For the same reason what is left tells an old message from a new one, where clocks may
not: within one supply it only falls.
"""

from __future__ import annotations

import msgspec

from service.domain.model import SECOND, Instant
from service.wire.cfx_read import Reel, Used

_AFTERWARDS = 600 * SECOND
"""So long after it happened a machine may tell what a panel took."""


class Slot(msgspec.Struct, array_like=True):
    """``reels``: those in it, the one that is consumed first; ``carrier`` (of ``base``): what holds them;
    ``changed``: when they last did, and ``was``: what those were called that left it. ``left`` of the supply
    called ``of`` was there at ``at``. ``placed`` and ``lost``: parts counted as they were installed, from
    ``since`` on, whose consumption wasn't told yet."""

    reels: tuple[Reel, ...] = ()
    carrier: str = ""
    base: str = ""
    changed: Instant | None = None
    left: int | None = None
    of: str = ""
    at: Instant | None = None
    placed: int = 0
    lost: int = 0
    was: tuple[str, ...] = ()
    since: Instant = 0


def use(slot: Slot, used: Used, at: Instant) -> tuple[int, int | None] | None:
    """Parts placed and lost that this adds; ``None``: it is old, and was counted with what came after it, or
    they are of a supply that isn't there any more."""
    if has_left(slot, used, at):
        return None
    name = used.reels[-1].name if used.reels else slot.of
    gone = used.placed + (used.lost or 0)
    missing = 0
    later = slot.at is None or at > slot.at
    before = None if used.left is None else _before(slot, name, used.left + gone)
    if before is not None and used.left is not None:
        missing = before - gone - used.left
        if missing < 0 and not later:
            return None
        later = later or missing >= 0
    if later or at == slot.at:
        if used.left is not None:
            slot.left, slot.of = used.left, name
        elif slot.left is not None:
            slot.left = max(0, slot.left - gone)
        slot.at = at
    # Nothing left may mean that the machine doesn't know, and more than before that it was filled.
    if before is None or not used.left or before < used.left or (missing < 0 and (slot.placed or slot.lost)):
        missing = 0
    return max(0, used.placed + missing), used.lost


def has_left(slot: Slot, used: Used, at: Instant) -> bool:
    """Whether all that a message names was exchanged a moment ago: what a panel took before that is told when
    it is complete."""
    if not slot.was or slot.changed is None or at > slot.changed + _AFTERWARDS:
        return False
    names = {reel.name for reel in used.reels}
    return bool(names) and names <= set(slot.was) and names.isdisjoint(reel.name for reel in slot.reels)


def _before(slot: Slot, name: str, there: int) -> int | None:
    """What was left until now of the supply that a message calls ``name`` and finds ``there`` parts of. Once
    a tape was joined, machines call the chain by it; some then say what is left in all of it."""
    if slot.left is None or slot.of == name:
        return slot.left
    names = [reel.name for reel in slot.reels]
    if slot.of not in names or name not in names:
        return None
    behind = [reel.quantity for reel in slot.reels[names.index(slot.of) + 1 : names.index(name) + 1]]
    known = [quantity for quantity in behind if quantity is not None]
    if not behind or len(known) < len(behind):
        return None
    return slot.left + sum(known) if there > slot.left else slot.left


def note_installed(slot: Slot, used: Used, at: Instant) -> None:
    """Counted now, as it was installed; the same parts may be told as consumed, not much later."""
    if at > slot.since + _AFTERWARDS:
        slot.placed = slot.lost = 0
        slot.since = at
    slot.placed += used.placed
    slot.lost += used.lost or 0


def without_installed(slot: Slot, placed: int, lost: int | None) -> tuple[int, int | None]:
    """What wasn't counted as installed already."""
    told, told_lost = min(placed, slot.placed), min(lost or 0, slot.lost)
    slot.placed -= told
    slot.lost -= told_lost
    return placed - told, None if lost is None else lost - told_lost


def hold(slot: Slot, reels: tuple[Reel, ...], at: Instant) -> None:
    """Other supplies are in it now. Of one that is alone its quantity is what is left."""
    before = [reel.name for reel in slot.reels if reel.name] or slot.was
    stay = {reel.name for reel in reels}
    slot.was = tuple(name for name in before if name not in stay)
    slot.reels, slot.changed = reels, at
    if slot.at is None or at >= slot.at:
        last = reels[-1] if reels else Reel()
        slot.left, slot.of = last.quantity if len(reels) == 1 else None, last.name
