"""The plan that a line goes by: which stops come of what is ahead, when a plan is kept and when it gives way.

A plan that people know is kept while it can be: a stop stays at its panel (or at its break or changeover) as
long as what is to be exchanged in it can be exchanged there. What no stop of it meets gets one beside. All of
it gives way only to one that is enough cheaper.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf

import numpy as np

from service.domain.cheapest import cheapest_stops
from service.domain.emptyings import Emptying
from service.domain.events import PlanKept
from service.domain.model import Instant, PlannedExchange, PlannedStop
from service.domain.notices import Told
from service.domain.plan import fewest_stops
from service.domain.policy import cost_of
from service.domain.prospect import Prospect, Rest, look_ahead
from service.domain.staffing import Drawn, Need, eased
from service.domain.state import KeptPlan, LineState
from service.domain.world import World, touch_line

_GIVE = 3
"""Panels that a kept stop may be earlier than a supply would be exchanged now, which costs some parts; far
ahead a tenth of the way, because numbers that far still move."""
_GIVE_LATER = 5
"""The same, either way, for supplies that aren't loaded yet."""
Key = tuple[str, str, int]
"""Station, slot and which of its emptyings."""


@dataclass(frozen=True, slots=True, eq=False)
class _Held:
    """A kept stop as it lies now; ``overdue``: its panel has passed, so it is at once."""

    boundary: int
    overdue: bool
    rest: Rest | None
    stop: PlannedStop
    keys: frozenset[Key]


def keep(world: World, line: LineState, message: PlanKept, at: Instant) -> list[Told] | None:
    """The line goes by these stops from now on. ``None``: it does already."""
    if line.plan is not None and line.plan.stops == message.stops:
        return None
    line.plan = KeptPlan(at, message.stops)
    touch_line(world, line)
    return []


def next_plan(world: World, line: str, at: Instant) -> PlanKept | None:
    """The plan that the line should go by instead of the one it keeps; ``None``: that one stays."""
    return decide(look_ahead(world, line, at))


def decide(prospect: Prospect) -> PlanKept | None:
    """``next_plan``, where it is known already what is ahead."""
    drawn = choose(prospect)
    return None if _goes_by(prospect, drawn) else PlanKept(planned(drawn))


def choose(prospect: Prospect) -> list[Drawn]:
    """The kept stops, with others beside where they don't meet everything; or the best, where those pay."""
    kept = _kept(prospect)
    now = draw(prospect, kept, further=False)
    if not any(stop.kept for stop in now):
        best = draw(prospect, (), further=False)
        return draw(prospect, planned(eased(prospect, best)))
    # What takes the place of a plan must not be too late a panel later already, when a number is off by one.
    narrowed = replace(prospect, windows=tuple(map(_narrowed, prospect.windows)))
    best = draw(narrowed, (), further=False)
    if not _pays(prospect, now, best):
        return draw(prospect, kept)
    return draw(prospect, planned(eased(narrowed, best)))


def as_kept(prospect: Prospect) -> list[Drawn]:
    """What people see: the plan as it is kept, with others beside; while none is kept, the best."""
    return draw(prospect, _kept(prospect)) if prospect.line.plan is not None else choose(prospect)


def draw(prospect: Prospect, kept: Sequence[PlannedStop], *, further: bool = True) -> list[Drawn]:
    """The stops that meet all windows, soonest first: kept ones where they do, others beside. ``further``:
    with the supplies that will be loaded in them, one stop after the other."""
    waiting = [window for window in prospect.windows if window.what.supply.stops]
    held = sorted(_held(prospect, kept, waiting), key=lambda each: each.boundary)
    shelf, drawn = prospect.unspoken.copy(), list[Drawn]()
    while waiting:
        stops = _meet(prospect, waiting, held, room=1 if kept else 0)
        if not further:
            return stops
        soonest = stops[0]
        drawn.append(soonest)
        done = {id(need) for need in soonest.needs}
        waiting = [window for window in waiting if id(window) not in done]
        later = (prospect.after(need, soonest.boundary, shelf) for need in soonest.needs)
        waiting += [window for window in later if window is not None]
        held = [each for each in held if each.boundary > soonest.boundary]
    return drawn


def planned(stops: Sequence[Drawn]) -> tuple[PlannedStop, ...]:
    """The stops as they are kept."""
    return tuple(_planned(stop) for stop in stops)


def worth(prospect: Prospect, stops: Sequence[Drawn]) -> float:
    """What the stops cost: in money, or as many as cost the line anything."""
    if prospect.rules.minute_cost is None:
        return float(sum(stop.rest is None for stop in stops))
    return sum(cost(prospect, stop) or 0.0 for stop in stops)


def cost(prospect: Prospect, stop: Drawn) -> float | None:
    """The expected cost of a stop: its minutes, the parts thrown away, the risk that it comes too late;
    ``None`` while no costs are configured."""
    if prospect.rules.minute_cost is None:
        return None
    fixed = 0.0 if stop.rest is not None else prospect.rules.stop_minutes * prospect.rules.minute_cost
    here = np.array([stop.boundary])
    return fixed + sum(float(_costs(prospect, need.what, here)[0]) for need in stop.needs)


def _narrowed(need: Need, room: int = 1) -> Need:
    return replace(need, last=max(need.first, need.last - room))


def _kept(prospect: Prospect) -> tuple[PlannedStop, ...]:
    return () if prospect.line.plan is None else prospect.line.plan.stops


def key_of(need: Need) -> Key:
    return (*need.what.supply.place, need.what.number)


def _pays(prospect: Prospect, now: Sequence[Drawn], best: Sequence[Drawn]) -> bool:
    """Whether the best plan is enough cheaper than what is kept, by what is in the slots now."""
    share = 0.0 if prospect.rules.minute_cost is None else prospect.rules.change_pays
    return worth(prospect, best) < worth(prospect, now) * (1.0 - share) - 1e-9


def _goes_by(prospect: Prospect, drawn: Sequence[Drawn]) -> bool:
    """Whether the kept plan says all of it already."""
    kept = _kept(prospect)
    for stop in drawn:
        if stop.kept is None or stop.kept not in kept:
            return False
        known = {_kept_key(each, need) for each in stop.kept.exchanges for need in stop.needs}
        if any(key_of(need) not in known for need in stop.needs if need.what.number == 1):
            return False
    return True


# Where kept stops lie now


def _held(prospect: Prospect, kept: Sequence[PlannedStop], waiting: Sequence[Need]) -> list[_Held]:
    """The kept stops; one whose panel has passed only while something in it is still to be done."""
    by_place = {need.what.supply.place: need for need in waiting}
    passed = _progress(prospect, waiting)
    found: list[_Held] = []
    for stop in kept:
        needs = ((each, by_place.get((each.station, each.slot))) for each in stop.exchanges)
        keys = frozenset(
            key for each, need in needs if need is not None and (key := _kept_key(each, need))[2]
        )
        rest = next((each for each in prospect.rests if _same_rest(each, stop)), None)
        ahead = [panel - passed[station] for station, panel in stop.at.items() if station in passed]
        if rest is not None:
            found.append(_Held(rest.boundary, False, rest, stop, keys))
        elif ahead and (min(ahead) >= 0 or any(key[2] == 1 for key in keys)):
            found.append(_Held(max(0, min(ahead)), min(ahead) < 0, None, stop, keys))
    return found


def _progress(prospect: Prospect, waiting: Sequence[Need]) -> dict[str, int]:
    return {need.what.supply.station.station: need.what.supply.station.progress for need in waiting}


def _same_rest(rest: Rest, stop: PlannedStop) -> bool:
    if stop.rest is not None:
        return rest.moment == stop.rest
    return stop.order is not None and rest.order == stop.order


def _kept_key(kept: PlannedExchange, need: Need) -> Key:
    """Which emptying a kept exchange means now: one less once another supply is in the slot; 0: it is done,
    or none of this slot's."""
    if (kept.station, kept.slot) != need.what.supply.place:
        return (kept.station, kept.slot, 0)
    done = kept.loading != need.what.supply.slot.loading
    return (kept.station, kept.slot, kept.emptying - done)


# Which stops meet what waits


def _meet(prospect: Prospect, waiting: Sequence[Need], held: Sequence[_Held], *, room: int) -> list[Drawn]:
    """Every window at a kept stop, or else at one of those that serve the others best; ``room``: so many
    panels before it must be, so that it needn't move again when a number is off by one."""
    chosen: dict[int, list[Need]] = {}
    others: list[Need] = []
    live = [each for each in held if not each.overdue or _has_any(each, waiting)]
    for need in waiting:
        fitting = [each.boundary for each in live if _fits(each, need)]
        if not fitting:
            others.append(need)
            continue
        known = [each.boundary for each in live if key_of(need) in each.keys and each.boundary in fitting]
        chosen.setdefault(known[-1] if known else _best(prospect, need, fitting), []).append(need)
    narrowed = [_narrowed(need, room) for need in others]
    whole = {id(narrow): need for narrow, need in zip(narrowed, others, strict=True)}
    for boundary, needs in _own(prospect, narrowed):
        chosen.setdefault(boundary, []).extend(whole[id(need)] for need in needs)
    kept = {each.boundary: each for each in reversed(live)}
    return [_drawn(prospect, at, needs, kept.get(at)) for at, needs in sorted(chosen.items())]


def _drawn(prospect: Prospect, boundary: int, needs: Sequence[Need], held: _Held | None) -> Drawn:
    rest = next((each for each in prospect.rests if each.boundary == boundary), None)
    if held is not None:
        return Drawn(boundary, tuple(needs), held.rest, held.stop)
    return Drawn(boundary, tuple(needs), rest)


def _has_any(held: _Held, waiting: Sequence[Need]) -> bool:
    return any(key_of(need) in held.keys for need in waiting)


def _fits(held: _Held, need: Need) -> bool:
    if key_of(need) not in held.keys:
        return need.first <= held.boundary <= need.last
    give = _GIVE_LATER if need.what.number > 1 else 0
    early = max(_GIVE, give, held.boundary // 10)
    return need.first - early <= held.boundary <= need.last + give


def _own(prospect: Prospect, needs: Sequence[Need]) -> list[tuple[int, list[Need]]]:
    """New stops for what no kept one meets."""
    if not needs:
        return []
    if prospect.rules.minute_cost is None:
        free = [rest.boundary for rest in prospect.rests]
        return [(stop.boundary, list(stop.windows)) for stop in fewest_stops(needs, free)]
    boundaries = np.arange(max(need.last for need in needs) + 1)
    inside = np.array([[need.first, need.last] for need in needs])
    costs = np.array([_costs(prospect, need.what, boundaries) for need in needs])
    costs[(boundaries < inside[:, :1]) | (boundaries > inside[:, 1:])] = inf
    stops = cheapest_stops(costs, _stop_costs(prospect, len(boundaries)))
    served: dict[int, list[Need]] = {}
    for need in needs:
        fitting = [stop for stop in stops if need.first <= stop <= need.last]
        served.setdefault(_best(prospect, need, fitting), []).append(need)
    return list(served.items())


def _best(prospect: Prospect, need: Need, boundaries: Sequence[int]) -> int:
    """The cheapest for it of the boundaries; without costs the last."""
    if prospect.rules.minute_cost is None:
        return max(boundaries)
    ordered = sorted(boundaries, reverse=True)
    return ordered[int(np.argmin(_costs(prospect, need.what, np.array(ordered))))]


def _costs(prospect: Prospect, emptying: Emptying, boundaries: np.ndarray) -> np.ndarray:
    """Of exchanging it at each boundary: the parts that are left, and the risk that it is empty before."""
    rules = prospect.rules
    parts = np.array([emptying.left_over(at) for at in boundaries.tolist()])
    late = rules.late_minutes * (rules.minute_cost or 0.0)
    each = cost_of(rules, emptying.supply.part[0])
    return np.asarray(parts * each + emptying.chance_before(boundaries) * late)


def _stop_costs(prospect: Prospect, number: int) -> np.ndarray:
    rules = prospect.rules
    costs = np.full(number, rules.stop_minutes * (rules.minute_cost or 0.0))
    costs[[rest.boundary for rest in prospect.rests if rest.boundary < number]] = 0.0
    return costs


def _planned(stop: Drawn) -> PlannedStop:
    exchanges = tuple(
        PlannedExchange(*supply.place, supply.slot.loading, need.what.number)
        for need in stop.needs
        for supply in (need.what.supply,)
    )
    stations = {need.what.supply.station.station: need.what.supply.station for need in stop.needs}
    at = {name: station.progress + stop.boundary for name, station in sorted(stations.items())}
    rest = stop.rest or Rest(0)
    return PlannedStop(at=at, exchanges=exchanges, rest=rest.moment, order=rest.order)
