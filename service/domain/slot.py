"""What happens to one slot: parts leave it, supplies come and go, usage is learned from counts.

Every function changes the one ``SlotState`` it is given and nothing else. Placements with nothing loaded
are held apart; when they go on for two panels a refill is believed."""

from __future__ import annotations

from service.domain import depletion
from service.domain.events import SupplyMessage
from service.domain.model import Instant, SupplyKind
from service.domain.policy import SlotRule
from service.domain.state import SlotState

MOST_IDS = 32
BELIEVE_AFTER_PANELS = 2
_FADE = 0.98
_MOST_VALUES = 8
_ENOUGH_REPORTS = 5.0


def consume(
    slot: SlotState, placed: int, lost: int | None, *, earlier: bool, usage: float | None, panels: int
) -> None:
    """Take what a count added out of the slot. ``earlier``: it belongs to the loading before this one;
    ``panels``: complete panels since this slot's last report."""
    if lost is not None:
        slot.lost_evidence, slot.placed_evidence = depletion.learn(
            slot.lost_evidence, slot.placed_evidence, placed, lost
        )
    used = placed if lost is None else placed + lost
    if earlier:
        slot.before += used
        return
    if usage and panels >= 0:
        slot.taken = min(max(slot.taken + placed - usage * panels, 0.0), usage)
    if slot.removed:
        slot.held += used
        slot.held_panels += panels
        return
    slot.counted += used
    if lost is None:
        slot.blind += placed


def refill_is_plain(slot: SlotState, usage: float | None, *, out_ended: bool) -> bool:
    """Whether placements prove a refill nobody reported: they go on for two panels after a removal, at all
    after an out signal that ended, or two panels beyond the most the slot could hold."""
    if slot.removed:
        enough = BELIEVE_AFTER_PANELS * usage if usage else None
        return slot.held >= enough if enough else slot.held > 0 and slot.held_panels >= BELIEVE_AFTER_PANELS
    if slot.out_since is not None:
        return out_ended
    if slot.declared is None or not usage:
        return False
    beyond = slot.counted - slot.declared
    if beyond <= BELIEVE_AFTER_PANELS * usage:
        return False
    offsets, _ = depletion.shortage(slot.kind, slot.declared, is_exact(slot))
    return beyond - float(offsets[-1]) > BELIEVE_AFTER_PANELS * usage


def believe_refill(slot: SlotState, rule: SlotRule, *, at: Instant, since: int) -> None:
    """A refill seen from the counts: the usual quantity with honest doubt, or none known. ``since``: parts
    that are known to have come out of the new supply."""
    slot.loading = f"seen-{at}"
    slot.loaded_at = None
    slot.supply = slot.lot = None
    _declare(slot, rule.full, exact=False, assumed=rule.full is not None)
    slot.counted = since


def load(
    slot: SlotState, message: SupplyMessage, rule: SlotRule, *, event: str, at: Instant, carried: int | None
) -> None:
    """A new supply replaces what was there. ``carried``: what is believed left in a supply known by name.
    A tap that names nothing means the same again."""
    slot.kind = message.kind or slot.kind or rule.kind
    slot.part = message.part or slot.part or rule.part
    slot.lot = message.lot
    slot.supply = message.supply
    slot.loading = event
    slot.loaded_at = at
    known = message.quantity if message.quantity is not None else carried
    usual = known is None and rule.full is not None
    _declare(slot, rule.full if usual else known, exact=False, assumed=usual)


def join(slot: SlotState, message: SupplyMessage, rule: SlotRule, *, event: str) -> None:
    """A new tape is spliced on: its quantity comes on top, and the next emptying has a name of its own."""
    added = message.quantity if message.quantity is not None else rule.full
    left = 0 if slot.removed or slot.out_since is not None else slot.book
    slot.lot = message.lot or slot.lot
    slot.supply = message.supply or slot.supply
    slot.part = message.part or slot.part
    slot.loading = event
    if added is None or left is None:
        _declare(slot, None, exact=False, assumed=False)
    elif left <= 0:
        _declare(slot, added, exact=False, assumed=message.quantity is None)
    else:
        slot.declared = slot.counted + left + added
        slot.exact = False
        slot.assumed = slot.assumed or message.quantity is None


def count(slot: SlotState, quantity: int) -> None:
    """A person counted what is left: exact from here on."""
    _declare(slot, quantity, exact=True, assumed=False)


def remove(slot: SlotState, *, event: str) -> None:
    """Nothing is loaded: its numbers are unknown, placements are held apart."""
    slot.loading = event
    slot.supply = slot.lot = None
    slot.loaded_at = None
    _declare(slot, None, exact=False, assumed=False)
    slot.removed = True


def _declare(slot: SlotState, quantity: int | None, *, exact: bool, assumed: bool) -> None:
    slot.declared = quantity
    slot.counted = slot.blind = 0
    slot.exact = exact
    slot.assumed = assumed
    slot.missing = 0.0
    slot.removed = False
    slot.out_since = slot.low_since = None
    slot.held = slot.held_panels = 0


def is_exact(slot: SlotState) -> bool:
    """Trays and sticks hold what they say; a believed quantity never does; a person's count always."""
    if slot.exact:
        return True
    return not slot.assumed and slot.kind in (SupplyKind.TRAY, SupplyKind.STICK)


def learn_usage(slot: SlotState, placed: int, panels: int) -> None:
    """Note a report of ``placed`` parts over ``panels`` whole panels; old reports fade."""
    slot.pending += placed
    if panels <= 0:
        return
    each = round(slot.pending / panels, 6)
    faded = {value: weight * _FADE for value, weight in slot.usage_weights.items()}
    faded[each] = faded.get(each, 0.0) + 1.0
    if len(faded) > _MOST_VALUES:
        del faded[min(faded, key=lambda value: (faded[value], -value))]
    slot.usage_weights = faded
    slot.usage_placed = slot.usage_placed * _FADE + slot.pending
    slot.usage_panels = slot.usage_panels * _FADE + panels
    slot.pending = 0


def learned_usage(slot: SlotState) -> float | None:
    """Parts per panel from the counts: the largest value that is well supported (at least twice and in a
    tenth of the reports), the mean until there are five reports; ``None`` before the first."""
    if not slot.usage_panels:
        return None
    reports = sum(slot.usage_weights.values())
    supported = [v for v, weight in slot.usage_weights.items() if weight >= max(1.9, 0.1 * reports)]
    if reports >= _ENOUGH_REPORTS * _FADE**_ENOUGH_REPORTS and supported:
        return max(supported) or None
    return slot.usage_placed / slot.usage_panels or None
