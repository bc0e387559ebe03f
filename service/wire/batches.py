"""Values of one station that were heard together: read by what they mean, then gathered into messages."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Literal

from service.domain.model import Instant
from service.wire import gathered, jobs, readings
from service.wire.gathered import Count, Gathered, Look, Saying
from service.wire.rules import OF_LOADS, OF_ORDERS, TOTALS, Rule, Target


class Batch:
    """``at``: by the source's clock, the newest time of each kind of message. ``missing``: so many messages
    before were lost. ``extra``: what else its counts say (mode, lane)."""

    def __init__(self, missing: int = 0) -> None:
        self.missing = missing
        self.counts: list[Count] = []
        self.panels: list[tuple[object, Instant | None, int]] = []
        self.loads: dict[str, dict[str, str | int | None]] = {}
        self.lamps: list[Look] = []
        self.order: dict[str, str | int | None] = {}
        self.recipe: str | None = None
        self.usage: dict[str, float] = {}
        self.link: Literal["online", "offline"] | None = None
        self.extra: dict[str, object] = {}
        self.at: dict[str, Instant] = {}

    def take_lamps(
        self, content: object, words: Mapping[str, str], bits: Mapping[str, str], at: Instant | None
    ) -> None:
        """The lamps of a tower. Whoever names a state of his own for flashing knows which lamps flash, as
        does who says the whole tower in a word; else these are looks at them. Raises ``Misfit``."""
        told = "flashing" in words.values() or not (bits or isinstance(content, dict))
        states = readings.lamps(content, words, bits)
        self.lamps += [Look(name, state, told, at) for name, state in states.items()]


def read(batch: Batch, target: Target, content: object, said: Instant | None, at: Instant) -> None:
    """Add one value. Raises ``Misfit`` when it can't be what the rule says."""
    means = target.rule.means
    if means in TOTALS:
        kind = "count"
        if content is not None:
            rule = target.rule
            units = readings.whole(content, rule.times)
            delta = rule.counts == "delta"
            batch.counts.append(
                Count(target.slot, means, units, gathered.believed(said, at), delta, rule.each)
            )
    else:
        kind = _READ[means](batch, target, content, gathered.believed(said, at))
    if said is not None:
        before = batch.at.get(kind)
        if before is None or said > before:
            batch.at[kind] = said


def gather(
    piece: Gathered, batch: Batch, at: Instant, of_loads: frozenset[str], of_orders: frozenset[str]
) -> list[Saying]:
    """What all of it says, in the order in which it is to be heard: what was loaded meanwhile before what was
    counted, as most of it was placed since."""
    said: list[Saying] = []
    if batch.link is not None and batch.link != piece.link:
        piece.link = batch.link
        said.append(Saying("link", {"state": batch.link}))
    if batch.recipe is not None or batch.usage:
        recipe = jobs.hear_recipe(piece.recipe, batch.recipe, batch.usage, at)
        said += [] if recipe is None else [Saying("recipe", recipe)]
    if batch.order:
        said += [Saying("order", each) for each in jobs.hear_order(piece.order, batch.order, at, of_orders)]
    for slot, fields in batch.loads.items():
        said += gathered.hear_load(piece, slot, fields, batch.at.get("supply"), at, of_loads)
    batch.counts += gathered.panel_counts(piece, batch.panels)
    if batch.counts:
        said += gathered.hear_going_on(piece, batch.counts)
        counted = gathered.hear_counts(piece, batch.counts, batch.missing)
        said += [Saying(kind, batch.extra | body) for kind, body in counted]
    if batch.lamps:
        said += gathered.hear_lamps(piece, batch.lamps, at)
    said = [_timed(each, batch.at.get(each.kind)) for each in said]
    gathered.note_due(piece)
    return said


def _timed(said: Saying, at: Instant | None) -> Saying:
    return said if at is None or "at" in said.body else Saying(said.kind, {"at": at, **said.body})


def _panel(batch: Batch, target: Target, content: object, at: Instant | None) -> str:
    if content is not None and not isinstance(content, bool):
        readings.text(content)
    batch.panels.append((content, at, target.rule.each))
    return "count"


def _load(batch: Batch, target: Target, content: object, at: Instant | None) -> str:
    batch.loads.setdefault(target.slot, {})[target.rule.means] = _part(target.rule, content)
    return "supply"


def _lamp(batch: Batch, target: Target, content: object, at: Instant | None) -> str:
    if content is not None:
        batch.take_lamps({target.lamp or readings.BUZZER: content}, target.rule.words, {}, at)
    return "tower"


def _lamps(batch: Batch, target: Target, content: object, at: Instant | None) -> str:
    if content is not None:
        batch.take_lamps(content, target.rule.words, target.rule.bits, at)
    return "tower"


def _link(batch: Batch, target: Target, content: object, at: Instant | None) -> str:
    if content is not None:
        batch.link = readings.linked(content, target.rule.words)
    return "link"


def _recipe(batch: Batch, target: Target, content: object, at: Instant | None) -> str:
    batch.recipe = readings.text(content)
    return "recipe"


def _usage(batch: Batch, target: Target, content: object, at: Instant | None) -> str:
    if content is not None:
        rule = target.rule
        batch.usage[target.slot] = readings.per_panel(content, rule.times / rule.each)
        batch.recipe = target.recipe or batch.recipe
    return "recipe"


def _order(batch: Batch, target: Target, content: object, at: Instant | None) -> str:
    batch.order[OF_ORDERS[target.rule.means]] = _part(target.rule, content)
    return "order"


def _part(rule: Rule, content: object) -> str | int | None:
    """Of a supply or an order; ``None``: there is none now."""
    if rule.means in ("quantity", "order_panels"):
        return None if content is None else readings.whole(content, rule.times) // rule.each
    if (allowed := _ALLOWED.get(rule.means)) is not None:
        return readings.one_of(content, rule.words, allowed)
    return readings.text(content)


_ALLOWED = {"kind": readings.KINDS, "order_state": readings.STATES}
_READ: Mapping[str, Callable[[Batch, Target, object, Instant | None], str]] = {
    **dict.fromkeys(OF_LOADS, _load),
    **dict.fromkeys(OF_ORDERS, _order),
    "panel": _panel,
    "lamp": _lamp,
    "buzzer": _lamp,
    "lamps": _lamps,
    "link": _link,
    "recipe": _recipe,
    "usage": _usage,
}
