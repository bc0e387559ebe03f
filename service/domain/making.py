"""What a station made in a time, how fast it could have, and how long orders were being executed.

The ideal takt is configured, else learned: of the panels of a recipe the tenth that came fastest took no
longer. A station without enough panels to tell has none.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from service.domain.model import Instant, milliseconds
from service.domain.policy import Policy, takt_for
from service.domain.track import LineTrack, OrderSet, StationTrack

ENOUGH = 20
"""Panels from which on the fastest tenth says something."""
_FASTEST = 0.1
From = Literal["configured", "learned"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """``planned_run``: milliseconds that the ``panels`` would have taken at the ideal takt, by ``takt_from``.
    ``executed``: milliseconds in which an order of the line was under way. ``None``: not known."""

    panels: int | None = None
    good: int | None = None
    planned_run: float | None = None
    takt_from: From | None = None
    executed: int | None = None


@dataclass(frozen=True, slots=True)
class _Lot:
    """Panels that were complete together, and how long each took."""

    recipe: str | None
    panels: int
    each: float


def made_of(line: LineTrack, station: StationTrack, policy: Policy, since: Instant, until: Instant) -> Made:
    """From the counts of a station, the orders of its line and the takts that are configured."""
    executed = executed_of(line.orders, since, until)
    if not station.counts:
        return Made(executed=executed)
    panels = station.counts[-1].panels - station.progress
    planned, takt_from = _planned_run(station, policy, panels)
    return Made(panels=panels, planned_run=planned, takt_from=takt_from, executed=executed)


def line_made(made: Sequence[Made]) -> Made:
    """Of its stations, in order: the panels are those of the last one that counts, the ideal takt that of
    the slowest, because no line is faster than that."""
    last = next((each for each in reversed(made) if each.panels is not None), Made())
    takts = [(each.planned_run / each.panels, each) for each in made if each.planned_run and each.panels]
    if last.panels is None or not takts:
        return last
    takt, slowest = max(takts, key=lambda each: each[0])
    return Made(
        panels=last.panels,
        good=last.good,
        planned_run=takt * last.panels,
        takt_from=slowest.takt_from,
        executed=last.executed,
    )


def _planned_run(station: StationTrack, policy: Policy, panels: int) -> tuple[float | None, From | None]:
    lots = list(_lots(station))
    by_recipe: dict[str | None, list[_Lot]] = defaultdict(list)
    for lot in lots:
        by_recipe[lot.recipe].append(lot)
    configured = {
        recipe: takt_for(policy, line=station.line, station=station.station, recipe=recipe)
        for recipe in by_recipe
    }
    total, counted = 0.0, 0
    for recipe, some in by_recipe.items():
        said = configured[recipe]
        takt = _fastest(some) or _fastest(lots) if said is None else said * 1000.0
        if takt is None:
            return None, None
        number = sum(lot.panels for lot in some)
        total, counted = total + takt * number, counted + number
    if not counted:
        return None, None
    # Panels before the first whole one of the time took as long as the others.
    return total * panels / counted, "configured" if None not in configured.values() else "learned"


def _lots(station: StationTrack) -> Iterator[_Lot]:
    since = [each.at for each in station.recipes]
    done, at = station.progress, None
    for count in station.counts:
        if count.panels <= done:
            continue
        number = bisect_right(since, count.at) - 1
        recipe = station.recipes[number].recipe if number >= 0 else None
        if at is not None and count.at > at:
            yield _Lot(recipe, count.panels - done, (count.at - at) / (count.panels - done) / 1000)
        done, at = count.panels, count.at


def _fastest(lots: Sequence[_Lot]) -> float | None:
    """Milliseconds; each panel counts once."""
    each = np.repeat([lot.each for lot in lots], [lot.panels for lot in lots])
    return float(np.quantile(each, _FASTEST)) if len(each) >= ENOUGH else None


def executed_of(orders: Sequence[OrderSet], since: Instant, until: Instant) -> int | None:
    """From the start of each order to its end, what overlaps once; ``None`` where no order was heard of."""
    if not orders:
        return None
    running: set[str] = set()
    total, at = 0, since
    for each in sorted(orders, key=lambda order: order.at):
        moment = min(max(each.at, since), until)
        total += milliseconds(at, moment) if running else 0
        at = moment
        (running.add if each.state == "running" else running.discard)(each.order)
    return total + (milliseconds(at, until) if running else 0)
