"""What happens to one slot: parts leave it, supplies come and go, usage is learned from counts.

Every function changes what it is given and nothing else. Placements with nothing loaded
are held apart; when they go on for two panels a refill is believed."""

from __future__ import annotations

from math import exp
from statistics import median

from service.domain.depletion import learn
from service.domain.events import SupplyMessage
from service.domain.model import Instant
from service.domain.policy import SlotRule
from service.domain.state import SlotState, StationState, Stock

MOST_IDS = 32
MOST_AHEAD = 8
BELIEVE_AFTER_PANELS = 2
FEWEST_LOWS, MOST_LOWS = 2, 5
"""Low signals that must agree before one that doesn't is news, and that are remembered."""
BURST = 40.0
"""Parts: losses in so many at the very end of a supply are a part of what it is short of."""
_FADE = 0.98
_MOST_VALUES = 8
_TWICE = 1.0 + _FADE**34
_ENOUGH_REPORTS = sum(_FADE**age for age in range(5)) - 1e-9


def consume(
    slot: SlotState,
    placed: int,
    lost: int | None,
    covered: int,
    usage: float | None,
    panels: int,
    *,
    earlier: bool,
) -> int:
    """Take what a count added out of the slot; the parts it used.

    ``covered``: the placements that ``lost`` belongs to, some of which may have been counted before without a
    word about losses; ``earlier``: the count belongs to the loading before this one; ``panels``: complete
    panels since this slot's last report.
    """
    if lost is None:
        used = placed
    else:
        used = placed + lost
        slot.lost_evidence, slot.placed_evidence = learn(
            slot.lost_evidence, slot.placed_evidence, covered, lost
        )
    if earlier:
        slot.before += used
        return used
    slot.used += used
    if usage:
        taken = slot.taken + placed - usage * panels
        slot.taken = 0.0 if taken < 0.0 else min(taken, usage)
    if slot.removed:
        slot.held += used
        slot.held_panels += panels
        return used
    slot.counted += used
    if lost:
        slot.lost += lost
        slot.burst = slot.burst * exp((slot.burst_at - slot.counted) / BURST) + lost
        slot.burst_at = slot.counted
    if lost is None:
        slot.blind += placed
    elif covered > placed and slot.blind:
        slot.blind = max(0, slot.blind - (covered - placed))
    return used


def may_be_refilled(slot: SlotState) -> bool:
    """Cheap: whether it is worth asking ``refill_is_plain``."""
    return (
        slot.removed
        or slot.out_since is not None
        or (slot.low_ended is not None and (slot.declared is None or slot.assumed))
        or (slot.declared is not None and slot.counted > slot.declared)
    )


def refill_is_plain(slot: SlotState, usage: float | None, *, most: float, waits: bool) -> bool:
    """Whether placements prove a refill nobody reported: they go on for two panels after a removal, or beyond
    the most the slot could hold (``most`` parts more than was said), or after an out signal (at all, once the
    station no longer ``waits``). Where the quantity isn't known or only assumed, two panels after a low
    signal that ended prove one; any placement does where nobody knows how many make a panel."""
    if slot.removed or slot.out_since is not None:
        if slot.held > 0 and not slot.removed and not waits:
            return True
        enough = BELIEVE_AFTER_PANELS * usage if usage else None
        return slot.held >= enough if enough else slot.held > 0 and slot.held_panels >= BELIEVE_AFTER_PANELS
    if not usage:
        return slot.low_ended is not None and slot.declared is None and slot.counted > slot.low_ended
    if slot.low_ended is not None and (slot.declared is None or slot.assumed):
        return slot.counted - slot.low_ended >= BELIEVE_AFTER_PANELS * usage
    if slot.declared is None:
        return False
    return slot.counted - slot.declared - max(0.0, most) > BELIEVE_AFTER_PANELS * usage


def compare_with_lamp(slot: SlotState, usage: float) -> None:
    """A low signal began. A machine calls a slot low at the same count each time: where our books say clearly
    more than they did at earlier signals, it knows of a refill at another moment than we were told, and the
    surplus may be gone."""
    book = slot.book
    if book is None:
        return
    usual = int(median(slot.low_books)) if len(slot.low_books) >= FEWEST_LOWS else None
    if usual is not None and book - usual > max(BELIEVE_AFTER_PANELS * usage, usual / 2):
        slot.unseen = max(slot.unseen, float(book - usual))
    elif not slot.assumed:
        slot.low_books.append(book)
        del slot.low_books[:-MOST_LOWS]


def believe_refill(slot: SlotState, rule: SlotRule, *, at: Instant, lead: float) -> None:
    """A refill seen from the counts: the usual quantity with honest doubt, or none known.

    What was held apart came out of the new supply, as did what was used since a low signal ended or what came
    beyond what the slot could hold. In the last case it may have been loaded before the old one was empty:
    since people were told of it, or ``lead`` parts before its end where they weren't.
    """
    used, unseen = slot.held, 0.0
    if not slot.removed and slot.out_since is None:
        if slot.low_ended is not None:
            used = slot.counted - slot.low_ended
        else:
            used = slot.counted - (slot.declared or 0)
            unseen = max(0.0, lead if slot.told_left is None else float(slot.told_left))
    slot.loading = f"seen-{at}"
    if not slot.removed:
        slot.loaded_at = slot.out_since
    slot.supply = slot.lot = slot.supply_before = None
    _declare(slot, rule.full, exact=False, assumed=rule.full is not None)
    slot.counted, slot.unseen, slot.refilled_unsaid = used, unseen, at


def puts_a_word_to_refill(slot: SlotState, message: SupplyMessage, rule: SlotRule, happened: Instant) -> bool:
    """Whether "loaded" or "joined" speaks, late, of the refill that was believed: it is the first word since,
    and from before that, or the supply it would replace is still more than half full."""
    if slot.refilled_unsaid is None or message.change not in ("loaded", "joined"):
        return False
    if slot.out_since is not None and slot.out_since > slot.refilled_unsaid:
        return False  # empty since then: this is the next one
    if message.at is not None and happened <= slot.refilled_unsaid:
        return True
    full = message.quantity or rule.full
    return full is None or slot.counted * 2 < full


def name_refill(slot: SlotState, message: SupplyMessage, *, since: int, carried: Stock | None) -> None:
    """A late word says what the believed refill was; what was used since stays used. ``since``: parts used
    after the moment that the message names, which may be earlier than the counts could tell."""
    slot.kind = message.kind or slot.kind
    slot.part = message.part or slot.part
    slot.lot, slot.supply = message.lot, message.supply
    slot.refilled_unsaid = None
    if since > slot.counted:
        slot.counted, slot.unseen = since, 0.0
    if message.quantity is not None:
        slot.declared, slot.exact, slot.assumed = message.quantity, False, False
    elif carried is not None:
        slot.declared = max(0, carried.declared - carried.counted)
        slot.exact, slot.assumed = carried.exact, carried.assumed


def load(
    slot: SlotState,
    message: SupplyMessage,
    rule: SlotRule,
    *,
    event: str,
    at: Instant,
    carried: Stock | None,
) -> None:
    """A new supply replaces what was there. ``carried``: what is believed left in a supply known by name.
    A tap that names nothing means the same again."""
    if message.part not in (None, slot.part):
        slot.low_books.clear()
    slot.kind = message.kind or slot.kind or rule.kind
    slot.part = message.part or slot.part or rule.part
    slot.lot = message.lot
    slot.supply_before = slot.supply_before if slot.removed else slot.supply
    slot.supply = message.supply
    slot.loading = event
    slot.loaded_at = at
    if message.quantity is not None:
        _declare(slot, message.quantity, exact=False, assumed=False)
    elif carried is not None:
        _declare(slot, carried.declared, exact=carried.exact, assumed=carried.assumed)
        slot.counted, slot.blind, slot.missing = carried.counted, carried.blind, carried.missing
        slot.unseen, slot.lost, slot.partial = carried.unseen, carried.lost, carried.partial
    else:
        _declare(slot, rule.full, exact=False, assumed=rule.full is not None)


def join(
    slot: SlotState,
    message: SupplyMessage,
    rule: SlotRule,
    *,
    event: str,
    at: Instant,
    carried: Stock | None,
) -> None:
    """A new tape is spliced on: its quantity comes on top, and the next emptying has a name of its own."""
    added, assumed = message.quantity, False
    if added is None and carried is not None:
        added, assumed = max(0, carried.declared - carried.counted), carried.assumed
    elif added is None:
        added, assumed = rule.full, rule.full is not None
    left = 0 if slot.removed or slot.out_since is not None else slot.book
    slot.kind = message.kind or slot.kind or rule.kind
    slot.part = message.part or slot.part or rule.part
    slot.lot = message.lot or slot.lot
    slot.supply = message.supply or slot.supply
    slot.loading = event
    if added is None or left is None:
        _declare(slot, None, exact=False, assumed=False)
    elif left <= 0:
        slot.loaded_at = at
        _declare(slot, added, exact=False, assumed=assumed)
    else:
        slot.declared = slot.counted + left + added
        slot.exact = False
        slot.assumed = slot.assumed or assumed
        slot.low_since = slot.low_counted = None
        slot.ahead = [*slot.ahead, added][-MOST_AHEAD:]
        slot.joints += 1


def carry_on(slot: SlotState, carried: Stock, *, instead_of: Stock) -> None:
    """What was left in a supply known by name is heard only after it was loaded or joined without a quantity,
    when something else was believed; what was used of it since stays used."""
    if slot.ahead:
        left = max(0, carried.declared - carried.counted)
        if slot.declared is not None:
            slot.declared += left - slot.ahead[-1]
        slot.ahead = [*slot.ahead[:-1], left]
        return
    slot.declared, slot.exact, slot.assumed = carried.declared, carried.exact, carried.assumed
    slot.partial = carried.partial
    for name in ("counted", "blind", "lost", "missing", "unseen"):
        setattr(slot, name, getattr(slot, name) + getattr(carried, name) - getattr(instead_of, name))


def splice(slot: SlotState, *, grey: int, event: str, at: Instant) -> None:
    """A sensor saw the joint pass: the tape before it is gone, whatever the books say of it. Of the next
    ``grey`` parts nobody knows from which of both tapes they are."""
    ahead = slot.ahead[1:]
    trailing = sum(slot.ahead)
    slot.loaded_at, slot.loading = at, event
    _declare(slot, trailing, exact=False, assumed=slot.assumed)
    slot.ahead, slot.joints, slot.grey = ahead, len(ahead), grey


def count(slot: SlotState, quantity: int, *, at: Instant) -> None:
    """A person counted what is left: exact from here on."""
    slot.loaded_at, slot.supply_before = at, None
    _declare(slot, quantity, exact=True, assumed=False)


def remove(slot: SlotState, *, event: str, at: Instant) -> None:
    """Nothing is loaded: its numbers are unknown, placements are held apart."""
    slot.loading = event
    slot.supply_before, slot.supply = slot.supply, None
    slot.lot = None
    slot.loaded_at = at
    _declare(slot, None, exact=False, assumed=False)
    slot.removed = True


def stock_of(slot: SlotState) -> Stock | None:
    """What is believed of the supply that is in the slot; ``None`` where nobody knows."""
    if slot.out_since is not None:
        return Stock(0, exact=True)
    if slot.declared is None:
        return None
    return Stock(
        slot.declared,
        slot.counted,
        slot.blind,
        slot.exact,
        slot.assumed,
        slot.missing,
        slot.unseen,
        slot.lost,
        slot.partial,
    )


def _declare(slot: SlotState, quantity: int | None, *, exact: bool, assumed: bool) -> None:
    slot.declared = quantity
    slot.counted = slot.blind = slot.lost = slot.burst_at = slot.grey = slot.joints = 0
    slot.burst = 0.0
    slot.ahead = []
    slot.partial = False
    slot.exact = exact
    slot.assumed = assumed
    slot.missing = slot.unseen = 0.0
    slot.told_left = slot.low_ended = slot.low_counted = slot.refilled_unsaid = None
    slot.removed = False
    slot.out_since = slot.low_since = None
    slot.held = slot.held_panels = 0


def settle_doubt(station: StationState) -> None:
    """Counts that never came trouble nobody once every slot they could concern was loaded or counted anew."""
    if station.uncertain_since is not None and not any(slot.missing for slot in station.slots.values()):
        station.uncertain_since = None
        station.given_up = False


def learn_usage(slot: SlotState, placed: int, panels: int) -> None:
    """Note a report of ``placed`` parts over ``panels`` whole panels; old reports fade. Panels without a part
    count towards the next report: every second panel is a usage of a half.

    ``slot.learned`` is then the largest value that is well supported (twice of late, and in a tenth of the
    reports), before there are five reports their mean.
    """
    slot.pending += placed
    slot.pending_panels += panels
    if not slot.pending or slot.pending_panels <= 0:
        return
    whole, rest = divmod(slot.pending, slot.pending_panels)
    each = round(slot.pending / slot.pending_panels, 6) if rest else float(whole)  # rounding is slow
    slot.pending = slot.pending_panels = 0
    reports = slot.usage_reports
    if len(reports) == 1 and each in reports:
        reports[each] = reports[each] * _FADE + 1.0
        return
    for value in reports:
        reports[value] *= _FADE
    reports[each] = reports.get(each, 0.0) + 1.0
    if len(reports) > _MOST_VALUES:
        del reports[min(reports, key=lambda value: (reports[value], -value))]
    slot.learned = _learned(reports) or None


def _learned(reports: dict[float, float]) -> float:
    total = sum(reports.values())
    supported = [value for value, weight in reports.items() if weight >= max(_TWICE, 0.1 * total)]
    if supported and total >= _ENOUGH_REPORTS:
        return max(supported)
    return sum(value * weight for value, weight in reports.items()) / total
