"""Whether a supply belongs in a slot: what the slot wants by recipe, orders and configuration, against what
the label says.

A verdict and a sentence, from values alone. Who is told of it and what is refused is decided elsewhere.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from fnmatch import fnmatchcase

from service.domain import clock
from service.domain.model import SECOND, Instant
from service.domain.pace import pace_of
from service.domain.policy import Policy, Substitute
from service.domain.said import Said, Value
from service.domain.sight import ruling_recipe
from service.domain.state import LineState, Recipe, SlotState, StationState

_STANDS, _TAKTS = 300.0, 3.0
"""Seconds, and takts, without a panel after which a station stands."""


class Verdict(StrEnum):
    RIGHT = "right"
    SUBSTITUTE = "substitute"
    WRONG = "wrong"
    EXPIRED = "expired"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Wanted:
    """``part``: what the slot wants, ``None`` where nobody says. ``order``: the queued order that wants it,
    ``None``: what runs now does. ``alike``: parts that the same recipe takes for the same placements;
    ``by_recipe``: a recipe says so, else the configuration does. ``unused``: the recipe doesn't use the
    slot."""

    part: str | None
    order: str | None = None
    alike: tuple[str, ...] = ()
    by_recipe: bool = True
    unused: bool = False


@dataclass(frozen=True, slots=True)
class Fit:
    verdict: Verdict
    said: Said


def wanted_in(line: LineState, station: StationState, slot: str, *, usual: str | None = None) -> Wanted:
    """What the slot wants now; once the running order is done here, or where it doesn't use the slot, what
    the next order that uses it wants. ``usual``: the configured part, for where no recipe names one."""
    recipe = ruling_recipe(line, station)
    if recipe is not None and _uses(recipe, slot) and not _is_done(line, station):
        return _by(recipe, slot, usual, order=None)
    for name, coming in _coming(line, station):
        if _uses(coming, slot):
            return _by(coming, slot, usual, order=name)
    if recipe is None:
        return Wanted(usual, by_recipe=False)
    if _uses(recipe, slot):
        return _by(recipe, slot, usual, order=None)
    return Wanted(usual, by_recipe=False, unused=True)


def wanted_since(line: LineState, station: StationState) -> Instant:
    """Since when the recipe of now has ruled there, as far as its messages say."""
    recipe, order = ruling_recipe(line, station), line.running_order
    moments = [None if recipe is None else recipe.at, None if order is None else order.said_at]
    return max((at for at in moments if at is not None), default=0)


def fits(part: str | None, wanted: Wanted, policy: Policy, *, line: str, station: str, slot: str) -> Fit:
    """The verdict on a label that names ``part``."""
    about: dict[str, Value] = {"slot": slot}
    if part is None:
        return Fit(
            Verdict.UNKNOWN, Said("Which part this is isn't known: compare the label yourself.", about)
        )
    about["part"] = part
    if wanted.part is None:
        return Fit(Verdict.UNKNOWN, _nobody_says(wanted, about))
    about["wanted"] = wanted.part
    if part == wanted.part:
        return Fit(Verdict.RIGHT, _is_right(wanted, about))
    if part in wanted.alike:
        said = Said("{part} is right: the recipe takes it for the same placements as {wanted}.", about)
        return Fit(Verdict.SUBSTITUTE, said)
    if part in instead_of(policy, wanted.part, line, station):
        return Fit(Verdict.SUBSTITUTE, Said("{part} is a listed substitute for {wanted}.", about))
    return Fit(Verdict.WRONG, _is_wrong(wanted, about))


def in_slot(
    line: LineState,
    station: StationState,
    slot: SlotState,
    part: str | None,
    policy: Policy,
    usual: str | None,
    *,
    at: Instant | None,
) -> Fit:
    """The verdict on ``part`` in a slot as things stand ``at`` then; ``None``: by recipe and orders alone."""
    wanted = wanted_in(line, station, slot.name, usual=usual)
    fit = fits(part, wanted, policy, line=line.line, station=station.station, slot=slot.name)
    if fit.verdict is not Verdict.WRONG or at is None or part is None:
        return fit
    other = _perhaps_next(line, station, slot.name, part, at)
    if other is None:
        return fit
    said = Said(
        "{part} isn't what the recipe of now wants in slot {slot}, but what recipe {recipe} does: which comes"
        " next nobody says.",
        {"part": part, "slot": slot.name, "recipe": other},
    )
    return Fit(Verdict.UNKNOWN, said)


def _perhaps_next(line: LineState, station: StationState, slot: str, part: str, at: Instant) -> str | None:
    """Another recipe that wants the part there, while the station stands and no order says what runs: it may
    be set up for that one just now."""
    last, pace = clock.last_panel(station), pace_of(station)
    if line.running_order is not None or last is None or pace is None:
        return None
    if (at - last) / SECOND <= max(_STANDS, _TAKTS * pace.usual):
        return None
    return next((name for name, each in station.recipes.items() if each.parts.get(slot) == part), None)


def instead_of(policy: Policy, part: str | None, line: str, station: str) -> set[str]:
    """The listed substitutes for a part there."""
    return {
        other
        for rule in policy.substitutes
        if rule.part == part and _holds(rule, line, station)
        for other in rule.instead
    }


def _uses(recipe: Recipe, slot: str) -> bool:
    group = next((names for names in recipe.alternates if slot in names), (slot,))
    return any(recipe.usage.get(name, 0.0) > 0.0 for name in group)


def _by(recipe: Recipe, slot: str, usual: str | None, *, order: str | None) -> Wanted:
    group = next((names for names in recipe.alternates if slot in names), [slot])
    named = [recipe.parts[name] for name in group if name in recipe.parts]
    part = recipe.parts.get(slot) or (named[0] if named else None)
    if part is None:
        return Wanted(usual, order, by_recipe=False)
    return Wanted(part, order, tuple(dict.fromkeys(each for each in named if each != part)))


def _is_done(line: LineState, station: StationState) -> bool:
    """Whether the station has made all panels of the running order, so that the next one's parts go in."""
    if station.resting:
        return True
    order = line.running_order
    if order is None or order.panels is None or station.order != order.name:
        return False
    return station.order_start_seen and not station.progress_estimated and station.order_done == order.panels


def _coming(line: LineState, station: StationState) -> Iterator[tuple[str, Recipe]]:
    """The queued orders whose recipe is known here, in their turn; beyond one that isn't known, nobody
    knows."""
    for order in line.orders.values():
        if order.state != "queued":
            continue
        recipe = station.recipes.get(order.recipe) if order.recipe is not None else None
        if recipe is None:
            return
        yield order.name, recipe


def _holds(rule: Substitute, line: str, station: str) -> bool:
    return (rule.line is None or fnmatchcase(line, rule.line)) and (
        rule.station is None or fnmatchcase(station, rule.station)
    )


def _nobody_says(wanted: Wanted, about: dict[str, Value]) -> Said:
    if wanted.unused:
        return Said("No known order uses slot {slot}: nobody can say whether {part} belongs there.", about)
    return Said("No recipe says which part slot {slot} wants: compare {part} yourself.", about)


def _is_right(wanted: Wanted, about: dict[str, Value]) -> Said:
    if not wanted.by_recipe:
        return Said("{part} is what slot {slot} usually holds.", about)
    if wanted.order is not None:
        return Said(
            "{part} is right: order {order} comes next and wants it.", about | {"order": wanted.order}
        )
    return Said("{part} is right for slot {slot}.", about)


def _is_wrong(wanted: Wanted, about: dict[str, Value]) -> Said:
    if not wanted.by_recipe:
        return Said("{part} is wrong: slot {slot} usually holds {wanted}.", about)
    if wanted.order is not None:
        return Said(
            "{part} is wrong: order {order} comes next and wants {wanted} in slot {slot}.",
            about | {"order": wanted.order},
        )
    return Said("{part} is wrong: the recipe wants {wanted} in slot {slot}.", about)
