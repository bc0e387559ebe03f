"""A line stops less often on purpose when its people go by the plan than when they go by warnings alone, and
hardly more often without meaning to: some hours of one line with trays, on a seed that nothing was tuned on.

Whole weeks of four lines come from ``make week``.
"""

from __future__ import annotations

from dataclasses import replace

from simulators.scenario import Scenario
from tests.evaluation.week import plant
from tests.support.planned_loop import PlannedLoop
from tests.support.routed_loop import RoutedLoop

HOURS = 3.0
ALLOWED = 2
"""Supply stops more: who is to be there for one panel has less time to forget in than who goes when told."""


def one_line() -> Scenario:
    scenario = plant(trays=True)
    return replace(scenario, lines=scenario.lines[:1])


def test_with_the_plan_a_line_is_stopped_less_often_to_exchange_trays():
    warned = RoutedLoop(one_line(), seed=931).run(HOURS)
    planned = PlannedLoop(one_line(), seed=931).run(HOURS)
    assert warned.planned >= 10, "there is something to gain"
    assert planned.planned < warned.planned
    assert planned.stops <= warned.stops + ALLOWED
    assert planned.late <= warned.late + ALLOWED
