"""What the slots of a line will need in fresh supplies, from their forecasts and the orders ahead.

Of slots that feed the same placements one speaks for all. The running order goes on at each station as far as
it is known there; queued ones follow without a pause between.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain, islice

from service.domain import fetch, judge
from service.domain.calendar import Hours, hours_of
from service.domain.fetch import Doubt, Fresh, Run, Unknown
from service.domain.horizon import parts_needed
from service.domain.inquiry import Questions
from service.domain.judge import Case
from service.domain.model import Instant, Spread
from service.domain.outcome import clock_times, forecast, is_boundary_only
from service.domain.outlook import left_quantiles
from service.domain.pace import pace_of
from service.domain.sight import Sight, demand, usage_in
from service.domain.state import LineState, Order, SlotState, StationState
from service.domain.world import World

MARGIN = 1
"""Panels in hand before a slot may be empty."""
MOST_OF_A_SLOT = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """A slot; whether it ``speaks`` for those that feed with it, or another does. ``left`` placements are
    surely in it, ``None``: nobody knows; ``labels``: parts in a full supply by part, as the line's labels
    say; ``odds``: parts lost for each that is placed."""

    station: StationState
    slot: SlotState
    sight: Sight
    hours: Hours | None
    left: float | None
    labels: Mapping[str, int | None]
    odds: float
    speaks: bool

    @property
    def kind(self) -> str | None:
        return self.slot.kind or self.sight.rule.kind

    @property
    def part(self) -> str | None:
        """What is loaded, or else what the running recipe wants."""
        return self.slot.part if self.sight.idle else self.sight.part

    @property
    def is_boundary_only(self) -> bool:
        return is_boundary_only(self.slot, self.sight)

    def at(self, panels: int) -> Instant | None:
        times = clock_times(self.station, Spread(panels, panels, panels), self.hours)
        return None if times is None else times.p50

    def full(self, part: str | None) -> float | None:
        """Placements that a fresh supply of the part gives, by what is configured or its own label, else by
        what all other labels of the line agree on."""
        rule = self.sight.rule
        parts = rule.full if rule.part in (None, part) else None
        if parts is None and part is not None:
            parts = (label_of(self.slot) if part == self.slot.part else None) or self.labels.get(part)
        return None if parts is None else parts / (1.0 + self.odds)


@dataclass(frozen=True, slots=True, kw_only=True)
class Needed:
    """One supply of ``part``, there ``by`` then and by boundary ``panels``; ``None``: when isn't known.
    ``new``: it comes with ``order``. ``at_least``: how many follow isn't known."""

    place: Place
    part: str | None
    order: str | None
    new: bool
    panels: int | None
    by: Instant | None
    at_least: bool = False


@dataclass(frozen=True, slots=True)
class NotKnown:
    """Why what a slot needs for an order isn't known."""

    place: Place
    why: Unknown
    order: str | None
    part: str | None


def label_of(slot: SlotState) -> int | None:
    """What was in its supply when that was full; ``None`` where nobody said so."""
    doubtful = slot.partial or slot.assumed or slot.exact or slot.joints or slot.removed
    return None if doubtful else slot.declared


def places_of(world: World, line: str) -> list[Place]:
    slots = [(station, slot) for station in world.stations_of(line) for slot in station.slots.values()]
    labels = _labels(slot for _, slot in slots)
    asked = []
    for station, slot in slots:
        world.sight(station, slot)
        sights = world.sights_of(station)
        speaks = judge.speaks(station, slot, sights)
        case = judge.case_of(world.line(line), station, slot, sights) if speaks else None
        asked.append((station, slot, sights[slot.name], speaks, case))
    sure = iter(_sure([case for *_, case in asked if case is not None]))
    hours = hours_of(world.policy, line)
    return [
        Place(
            station=station,
            slot=slot,
            sight=sight,
            hours=hours,
            left=_lying_there(slot, sight) if case is None else next(sure),
            labels=labels,
            odds=_odds(slot, sight),
            speaks=speaks,
        )
        for station, slot, sight, speaks, case in asked
    ]


def _labels(slots: Iterable[SlotState]) -> dict[str, int | None]:
    """By part what the labels of its supplies say; ``None`` where they differ."""
    found: dict[str, int | None] = {}
    for slot in slots:
        label = label_of(slot)
        if slot.part is not None and label is not None:
            found[slot.part] = label if found.get(slot.part, label) == label else None
    return found


def _odds(slot: SlotState, sight: Sight) -> float:
    return (sight.prior.a + slot.lost_evidence) / (sight.prior.b + slot.placed_evidence)


def _sure(cases: Sequence[Case]) -> list[float]:
    """Placements that each surely gives, to the whole panel."""
    if not cases:
        return []
    spreads = forecast(list(cases))
    return [
        parts_needed(replace(case.question.horizon, taken=0.0), spread.p05)
        for case, spread in zip(cases, spreads, strict=True)
    ]


def _lying_there(slot: SlotState, sight: Sight) -> float | None:
    """Placements surely in a slot that nothing is taken from just now; none where nothing is loaded."""
    if slot.removed or (sight.idle and slot.part is None):
        return 0.0
    if slot.declared is None or not sight.idle:
        return None
    question = judge.held(slot, {slot.name: sight}, None)
    if question is None:
        return None
    low, _, _ = left_quantiles(Questions.of([question]))
    return float(low[0]) / (1.0 + _odds(slot, sight))


def needs_of(line: LineState, place: Place, until: Instant) -> Iterator[Needed | NotKnown]:
    """What the slot needs until then, soonest first. What has no time is told for the next order at most."""
    runs = _runs(line, place)
    if runs[0].usage is None:
        return iter([NotKnown(place, Unknown.USAGE, runs[0].order, place.part)])
    waits = line.running is None and runs[0].panels == 0
    if waits:
        return _merged(_some_time(place, *runs[:2]))
    endless = next((number for number, run in enumerate(runs) if run.panels is None), len(runs))
    timed = runs[: endless + 1] if pace_of(place.station) is not None else runs[:2]
    return _merged(chain(_in_time(place, timed, until), _some_time(place, *runs[endless : endless + 2])))


def _merged(found: Iterable[Needed | NotKnown]) -> Iterator[Needed | NotKnown]:
    """How many supplies follow a needed one may not be known: then it says so itself."""
    last: Needed | NotKnown | None = None
    for each in found:
        if isinstance(last, Needed) and isinstance(each, NotKnown) and each.why is Unknown.FULL:
            last = replace(last, at_least=True)
            continue
        if last is not None:
            yield last
        last = each
    if last is not None:
        yield last


def _in_time(place: Place, runs: list[Run], until: Instant) -> Iterator[Needed | NotKnown]:
    """As far as the time reaches; where no time is known, all of what ends."""
    known = pace_of(place.station) is not None
    walk = fetch.ahead(runs, part=place.part, left=place.left, whole=place.is_boundary_only)
    for each in islice(walk, MOST_OF_A_SLOT):
        panels = each.panels if isinstance(each, Doubt) or each.new else max(0, each.panels - MARGIN)
        by = place.at(panels)
        if known and (by is None or by > until):
            return
        yield _found(place, each, panels, by)
        if not known and runs[0].panels is None:
            yield NotKnown(place, Unknown.FULL, each.order, each.part)
            return


def _some_time(
    place: Place, first: Run | None = None, then: Run | None = None
) -> Iterator[Needed | NotKnown]:
    """For the second of two orders of which nobody knows when it begins."""
    if first is None or then is None:
        return
    # What is left by then is known only where nothing is taken until then.
    left, part = (None, first.part or place.part) if first.usage else (place.left, place.part)
    before = Run(first.order, 0, 0.0)
    for each in islice(
        fetch.ahead([before, then], part=part, left=left, whole=place.is_boundary_only), MOST_OF_A_SLOT
    ):
        found = _found(place, each, None, None)
        if isinstance(found, NotKnown) and found.why is Unknown.LEFT:
            found = replace(found, why=Unknown.END)
        yield found


def _found(place: Place, each: Fresh | Doubt, panels: int | None, by: Instant | None) -> Needed | NotKnown:
    if isinstance(each, Doubt):
        return NotKnown(place, each.why, each.order, each.part)
    return Needed(place=place, part=each.part, order=each.order, new=each.new, panels=panels, by=by)


def _runs(line: LineState, place: Place) -> list[Run]:
    """The running order's rest at this slot, then the queued ones."""
    steps = demand(line, place.station, place.sight, 1.0).steps
    rest, part = steps[0][0] if steps else None, place.part
    used = place.speaks and not place.sight.idle and rest != 0
    runs = [Run(line.running, rest, place.sight.usage if used else 0.0, part, place.full(part))]
    for order in line.orders.values():
        if order.state == "queued":
            runs.append(_run(order, place, part))
            part = runs[-1].part
    return runs


def _run(order: Order, place: Place, part: str | None) -> Run:
    """An order to come; where its recipe doesn't name a part, it goes on with the ``part`` before."""
    recipe = place.station.recipes.get(order.recipe) if order.recipe is not None else None
    if recipe is None:
        return Run(order.name, order.panels, None, part)
    usage, group = usage_in(recipe, place.slot.name)
    speaks = (
        place.speaks if group and group == place.sight.group else place.slot.name in group[:1] or not group
    )
    wanted = (recipe.parts.get(place.slot.name) if usage else None) or part
    return Run(order.name, order.panels, (usage or 0.0) if speaks else 0.0, wanted, place.full(wanted))
