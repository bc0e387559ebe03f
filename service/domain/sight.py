"""What the plant asks of a slot now: parts per panel, the orders ahead, limits in force, who feeds with it.

A ``Sight`` is derived from line, station, slot and policy, never stored; whoever changes one of those
takes a new one."""

from __future__ import annotations

from dataclasses import dataclass
from math import sqrt

from service.domain.depletion import Belief
from service.domain.history import Learned
from service.domain.law import EXACT, Law
from service.domain.learning import LABEL, PARTIAL, PERSON, USUAL
from service.domain.memory import Memory
from service.domain.policy import Limits, Policy, SlotRule, limits_for, slot_rule
from service.domain.state import LineState, Order, Recipe, SlotState, StationState


@dataclass(slots=True)
class Sight:
    """``usage``: parts per panel, the recipe's (``by_recipe``) or learned; ``said``: what the recipe says,
    where counts are held against it, else 0; ``idle``: a recipe doesn't use it;
    ``after``: (panels, parts per panel) of the queued orders that need the same part here, panels ``None``
    when open-ended, ``most_after``: the most parts per panel of those; ``law``: how what is really in the
    supply differs from what was said, as learned in ``learned`` (of the kind, of the part) by ``versions``;
    ``prior``: where the belief of its loss odds starts; ``part``: what is loaded, or else what the recipe
    wants."""

    limits: Limits
    rule: SlotRule
    part: str | None
    usage: float | None
    by_recipe: bool
    said: float
    idle: bool
    group: tuple[str, ...]
    after: tuple[tuple[int | None, float], ...]
    most_after: float
    prior: Belief
    law: Law
    learned: tuple[Learned, Learned | None]
    versions: tuple[int, int]

    @property
    def is_stale(self) -> bool:
        """Whether more was learned since."""
        kind, part = self.learned
        return kind.version != self.versions[0] or (part is not None and part.version != self.versions[1])


@dataclass(frozen=True, slots=True)
class Demand:
    """What the known orders still need of a slot: ``steps`` of (panels, parts per panel); ``panels`` in all,
    ``None`` where nothing limits."""

    panels: int | None
    steps: tuple[tuple[int, float], ...]


FEWEST_OFF = 5
"""Reports in a row that must contradict a recipe before the counts rule."""
UNLIMITED = Demand(None, ())


def ruling_recipe(line: LineState, station: StationState) -> Recipe | None:
    """The running order's recipe where it is known here, else the last active one."""
    order = line.running_order
    if order is not None and order.recipe in station.recipes:
        return station.recipes[order.recipe]
    return station.recipes.get(station.last_active) if station.last_active is not None else None


def basis_of(slot: SlotState) -> str:
    """Whose word the declared quantity is: it decides by what law it errs."""
    if slot.exact:
        return PERSON
    if slot.assumed:
        return USUAL
    return PARTIAL if slot.partial else LABEL


def leading(slot: SlotState, declared: int) -> tuple[int, int]:
    """(parts, labels) of the tape that feeds, with those behind it that aren't kept apart any more."""
    return declared - sum(slot.ahead), 1 + slot.joints - len(slot.ahead)


def label_of(slot: SlotState, declared: int) -> int:
    """Parts on one of the labels that ``declared`` is the sum of: the root of their mean square, for a label
    errs in proportion to what it says and variances add. Those that aren't kept apart are taken as alike."""
    if not slot.joints:
        return declared
    own, alike = leading(slot, declared)
    squares = max(0, own) ** 2 / alike + sum(each**2 for each in slot.ahead)
    return round(sqrt(squares / (1 + slot.joints)))


def look(line: LineState, station: StationState, slot: SlotState, policy: Policy, memory: Memory) -> Sight:
    recipe = ruling_recipe(line, station)
    usage, group = (None, ()) if recipe is None else usage_in(recipe, slot.name)
    rule = slot_rule(policy, line=line.line, station=station.station, slot=slot.name)
    kind = slot.kind or rule.kind
    part = slot.part or (recipe.parts.get(slot.name) if recipe else None)
    after = _orders_after(line, station, slot.name, part)
    said = 0.0 if usage is None or group else usage
    ruled = recipe is not None and not is_overruled(slot, said)
    learned = memory.find(kind, part)
    law = EXACT
    if slot.declared is not None:
        label = label_of(slot, slot.declared)
        law = memory.law(kind, part, basis_of(slot), label).of_several(1 + slot.joints)
    return Sight(
        limits=limits_for(
            policy, line=line.line, station=station.station, slot=slot.name, part=part, kind=kind
        ),
        rule=rule,
        part=part,
        usage=usage if ruled else slot.learned,
        by_recipe=ruled,
        said=said,
        idle=recipe is not None and usage is None,
        group=group,
        after=after,
        most_after=max((parts for _, parts in after), default=0.0),
        prior=memory.belief(kind, part),
        law=law,
        learned=learned,
        versions=(learned[0].version, 0 if learned[1] is None else learned[1].version),
    )


def name_what_is_usual(slot: SlotState, rule: SlotRule) -> bool:
    """Kind and part as configured, where nobody has said another; whether that changed anything."""
    before = slot.kind, slot.part
    slot.kind, slot.part = slot.kind or rule.kind, slot.part or rule.part
    return before != (slot.kind, slot.part)


def is_overruled(slot: SlotState, said: float) -> bool:
    """Whether counts that agree among themselves contradict what the recipe says. Together they must differ
    by a panel's worth: within that, a count taken in the middle of a panel only looks different."""
    if slot.usage_off < FEWEST_OFF or slot.usage_said != said or not slot.learned:
        return False
    apart = sum(weight * (value / said - 1.0) for value, weight in slot.usage_reports.items())
    return abs(apart) >= 1.0 - 1e-9


def usage_in(recipe: Recipe, slot: str) -> tuple[float | None, tuple[str, ...]]:
    """(parts per panel, the slots that feed the same placements). Slots listed together name the same
    placements, so the largest of their usages is the usage of them all."""
    group = next((tuple(sorted(set(names))) for names in recipe.alternates if slot in names), ())
    usages = [recipe.usage.get(name, 0.0) for name in (group or (slot,))]
    return (max(usages) or None), group if len(group) > 1 else ()


def demand(line: LineState, station: StationState, sight: Sight, usage: float) -> Demand:
    """The orders ahead of this station: the running one's rest, then the queued ones that go on here.

    An order limits only while its start was seen here, its panels are reported and it isn't over-run.
    """
    first = rest_of_order(line, station)
    if first is None:
        return UNLIMITED
    steps = [(first, usage)]
    for panels, parts in sight.after:
        if panels is None:
            return Demand(None, (*steps, (1 << 40, parts)))
        steps.append((panels, parts))
    return Demand(sum(panels for panels, _ in steps), tuple(steps))


def rest_of_order(line: LineState, station: StationState) -> int | None:
    """Panels that the running order still needs of a station; ``None``: that isn't known."""
    if station.resting:
        return 0
    order = line.running_order
    if order is None or order.panels is None or station.order != order.name:
        return None
    if not station.order_start_seen or station.progress_estimated or station.order_done > order.panels:
        return None
    return order.panels - station.order_done


def _orders_after(
    line: LineState, station: StationState, slot: str, part: str | None
) -> tuple[tuple[int | None, float], ...]:
    steps: list[tuple[int | None, float]] = []
    for order in line.orders.values():
        if order.state != "queued":
            continue
        step = _continues(order, station, slot, part)
        if step is None:
            break
        steps.append(step)
        if step[0] is None:
            break
    return tuple(steps)


def _continues(
    order: Order, station: StationState, slot: str, part: str | None
) -> tuple[int | None, float] | None:
    """(panels, parts per panel) where the order needs the same part in the same slot, else ``None``."""
    recipe = station.recipes.get(order.recipe) if order.recipe is not None else None
    if recipe is None:
        return None
    usage, _ = usage_in(recipe, slot)
    wanted = recipe.parts.get(slot)
    if usage is None or (part is not None and wanted is not None and wanted != part):
        return None
    return order.panels, usage
