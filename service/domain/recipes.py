"""Recipes against counts: a recipe that the counts contradict is told of and not obeyed.

Whoever feeds a station hands over the reports that aren't exactly what the recipe says. It decides which of
them disagree, and when enough of them do; ``sight`` draws the consequence. Slots that feed the same
placements are none of its business: which of them gives what is the machine's choice.
"""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median

from service.domain import slot as supplies
from service.domain import standing
from service.domain.model import Instant, Level
from service.domain.notices import Told
from service.domain.said import Said
from service.domain.sight import FEWEST_OFF, is_overruled, ruling_recipe
from service.domain.state import Recipe, SlotState, StationState
from service.domain.world import World

KIND = "recipe"
TOLERANCE = 0.1
_MOST_NAMED = 3
MOST_RECIPES = 2_000
"""Of a station; orders may name a thousand of them."""
Report = tuple[SlotState, int, int]
"""A slot, the parts it placed and the panels since its last report."""


def merged(alternates: Sequence[Sequence[str]]) -> list[list[str]]:
    """Slots that feed the same placements; groups that share a slot are one. Else each would close the
    other's notice."""
    groups: list[list[str]] = []
    for names in alternates:
        shared = [group for group in groups if not set(group).isdisjoint(names)]
        groups = [group for group in groups if group not in shared]
        groups.append(list(dict.fromkeys([*(name for group in shared for name in group), *names])))
    return groups


def remember(world: World, station: StationState, recipe: Recipe) -> None:
    """Where there are too many the oldest goes that neither rules nor is ordered: the one that was just heard
    may rule next."""
    station.recipes.pop(recipe.name, None)
    station.recipes[recipe.name] = recipe
    if len(station.recipes) <= MOST_RECIPES:
        return
    line = world.line(station.line)
    ruling = ruling_recipe(line, station)
    needed = {order.recipe for order in line.orders.values()} | {recipe.name, ruling and ruling.name}
    oldest = next((name for name in station.recipes if name not in needed), None)
    if oldest is not None:
        del station.recipes[oldest]


def compare(
    world: World, station: StationState, odd: Sequence[Report], agreeing: int, at: Instant
) -> list[Told]:
    """Judge the ``odd`` reports of one message, beside ``agreeing`` ones that are what the recipe says."""
    sights = world.sights_of(station)
    reports = [each for slot, placed, panels in odd if (each := _whole(slot, placed, panels)) is not None]
    ratios = [placed / (sights[slot.name].said * panels) for slot, placed, panels in reports]
    kept = _kept([*ratios, *[1.0] * agreeing])
    changed = False
    for slot, placed, panels in reports:
        sight = sights[slot.name]
        _judge(slot, sight.said, placed, panels, kept)
        overruled = is_overruled(slot, sight.said)
        if overruled == sight.by_recipe or (overruled and sight.usage != slot.learned):
            changed = changed or overruled == sight.by_recipe
            world.look(station, slot)
    return settle(world, station, at) if changed else []


def _whole(slot: SlotState, placed: int, panels: int) -> Report | None:
    """The report with what waited for the end of its panel, or for a part after panels without one."""
    placed, panels = slot.pending + placed, slot.pending_panels + panels
    if not placed or panels <= 0:
        slot.pending, slot.pending_panels = placed, panels
        return None
    slot.pending = slot.pending_panels = 0
    return slot, placed, panels


def _kept(ratios: Sequence[float]) -> float:
    """The share of its placements that the panel got, from placed against said of all its slots: skipped
    boards lower all alike. The median; of one or two slots the one that placed more. 1 where fewer than half
    agree on it: that many mistakes are no skipped board."""
    if not ratios:
        return 1.0
    kept = median(ratios) if len(ratios) >= 3 else max(ratios)
    alike = sum(abs(each - kept) <= TOLERANCE * kept for each in ratios)
    return kept if kept < 1.0 and 2 * alike >= len(ratios) else 1.0


def _judge(slot: SlotState, said: float, placed: int, panels: int, kept: float) -> None:
    """Count one report. Less than a part is no difference, as there are no half parts."""
    expected = kept * said * panels
    if abs(placed - expected) <= max(TOLERANCE * expected, 1.0 - 1e-9):
        if slot.usage_off:
            _begin(slot, None)
        return
    each = placed / kept / panels
    if slot.usage_said != said or not _goes_on(slot, each):
        _begin(slot, said)
    slot.usage_off += 1
    supplies.learn_usage(slot, round(placed / kept), panels)


def _goes_on(slot: SlotState, each: float) -> bool:
    """Whether the report agrees with those before; once the counts rule, one that doesn't ends nothing."""
    known = slot.learned
    return known is not None and (slot.usage_off >= FEWEST_OFF or abs(each - known) <= TOLERANCE * known)


def _begin(slot: SlotState, said: float | None) -> None:
    slot.usage_off, slot.usage_said, slot.learned = 0, said, None
    slot.usage_reports.clear()


def settle_line(world: World, line: str, at: Instant) -> list[Told]:
    return [each for station in world.stations_of(line) for each in settle(world, station, at)]


def settle(world: World, station: StationState, at: Instant) -> list[Told]:
    """One notice for a recipe at a station, while the counts rule over it in any slot. Whoever looks into the
    recipe looks at all of it, so a further slot is no news."""
    recipe = ruling_recipe(world.line(station.line), station)
    sights = world.sights_of(station)
    off = [
        slot for slot in station.slots.values() if sights[slot.name].said and not sights[slot.name].by_recipe
    ]
    place = {"line": station.line, "station": station.station}
    known = [
        standing_notice.about or ""
        for name in sorted(world.standing_at.get((station.line, station.station), ()))
        if (standing_notice := world.standing[name].notice) is not None and standing_notice.kind == KIND
    ]
    told = [
        each
        for about in known
        if not off or recipe is None or about != recipe.name
        for each in standing.end(world, KIND, about, at, **place)
    ]
    if off and recipe is not None:
        message = _sentence(world, station, recipe.name, off)
        told += standing.begin(world, KIND, recipe.name, message, at, level=Level.EARLY, **place)
    return told


def _sentence(world: World, station: StationState, recipe: str, off: Sequence[SlotState]) -> Said:
    sights = world.sights_of(station)
    differ = tuple(
        Said(
            "{slot} takes {counted} parts a panel by the counts, not {said}",
            {"slot": slot.name, "counted": slot.learned or 0.0, "said": sights[slot.name].said or 0.0},
        )
        for slot in off[:_MOST_NAMED]
    )
    rest = len(off) - _MOST_NAMED
    return Said(
        "{where}: recipe {recipe} doesn't agree with the counts. {differ}{more}. The forecast goes by"
        " the counts.",
        {
            "where": f"{station.line} {station.station}",
            "recipe": recipe,
            "differ": differ,
            "more": Said(
                ", and {number} more slot differs", {"number": rest}, many=", and {number} more slots differ"
            )
            if rest > 0
            else "",
        },
    )
