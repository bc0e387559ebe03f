"""The one place that asks the program for a forecast: P(X <= x), X the panels to empty."""

from __future__ import annotations

import numpy as np

from service.domain import judge
from service.domain.inquiry import Questions
from service.domain.outlook import chances_due
from service.domain.world import World
from tests.calibrate.supply import Floats

SURE = 1.0 - 2e-6
MOST = 20_000


def panels_law(world: World, line: str, station: str, slot: str) -> Floats | None:
    """P(X <= x) for x = 0, 1, … until it is practically 1, whatever the orders say; ``None`` where the
    program has no forecast."""
    place = world.stations[line, station]
    case = judge.case_of(world.line(line), place, place.slots[slot], world.sights_of(place))
    if case is None:
        return None
    one = Questions.of([case.question])
    reach = 64
    while True:
        rows = one.rows(np.zeros(reach, dtype=np.int64))
        law = chances_due(rows, np.arange(float(reach)), np.full(reach, np.inf))
        if law[-1] >= SURE or reach >= MOST:
            return law
        reach *= 2


def losses_ahead(world: World, line: str, station: str, slot: str) -> tuple[float, float]:
    """The Gamma belief (a, b) of the loss odds: losses over E placements are negative binomial with the shape
    a and the chance b / (b + E)."""
    place = world.stations[line, station]
    case = judge.case_of(world.line(line), place, place.slots[slot], world.sights_of(place))
    assert case is not None
    return case.question.a, case.question.b
