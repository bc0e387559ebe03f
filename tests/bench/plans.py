"""What planning costs: stops, jobs and the cheapest stops of 20,000 windows, and the plan of a line."""

from __future__ import annotations

import random
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from service.domain.cheapest import cheapest_stops
from service.domain.jobs import Job, can_be_done, in_turn
from service.domain.plan import Window, fewest_stops
from service.domain.planning import decide
from service.domain.policy import PlanRules, Policy, SlotRule
from service.domain.prospect import look_ahead
from service.usecases.planned import shown
from tests.support.story import Story

WINDOWS = 20_000
BOUNDARIES = 200
TRAYS, REELS = 20, 40


@dataclass(frozen=True, slots=True)
class Seconds:
    """``line``: all that the planner does for a line of 20 trays and 40 reels."""

    stops: float
    jobs: float
    bound: float
    cheapest: float
    line: float


def plan_seconds() -> Seconds:
    """Best of five runs each."""
    chance = random.Random(1)
    windows = [
        Window(number, first, first + chance.randint(0, 60))
        for number, first in enumerate(chance.randint(0, 5000) for _ in range(WINDOWS))
    ]
    jobs = [
        Job(number, release, release + chance.uniform(5.0, 3e5), 5.0)
        for number, release in enumerate(chance.uniform(0.0, 1e5) for _ in range(WINDOWS))
    ]
    patient = [Job(each.what, each.release, 1e9, 5.0) for each in jobs]
    costs = _costs()
    story = _line()
    return Seconds(
        stops=_best(lambda: fewest_stops(windows)),
        jobs=_best(lambda: in_turn(jobs)),
        bound=_best(lambda: can_be_done(patient)),
        cheapest=_best(lambda: cheapest_stops(costs, np.full(BOUNDARIES, 30.0))),
        line=_best(lambda: _plan(story)),
    )


def _costs() -> np.ndarray:
    rng = np.random.default_rng(1)
    first = rng.integers(0, BOUNDARIES - 10, WINDOWS)[:, None]
    last = np.minimum(first + rng.integers(0, 60, WINDOWS)[:, None], BOUNDARIES - 1)
    at = np.arange(BOUNDARIES)
    return np.where((at >= first) & (at <= last), (last - at) * 0.1, np.inf)


def _line() -> Story:
    rules = [SlotRule(slot="T*", kind="tray", full=60), SlotRule(slot="F*", kind="tape", full=1000)]
    story = Story(Policy(slots=rules, plan=PlanRules(waste_share=0.1)))
    left = {f"T{number}": 5 + 2 * number for number in range(TRAYS)}
    left |= {f"F{number}": 150 + 20 * number for number in range(REELS)}
    usage = {slot: 1 if slot.startswith("T") else 10 for slot in left}
    story.recipe(usage, parts={slot: f"part-{slot}" for slot in left})
    story.first(*left)
    story.run(4, usage)
    for slot, quantity in left.items():
        story.load(slot, quantity, kind="tray" if slot.startswith("T") else "tape")
    return story


def _plan(story: Story) -> None:
    prospect = look_ahead(story.world, "L3", story.now)
    decide(prospect)
    shown(prospect)


def _best(call: Callable[[], object]) -> float:
    took = []
    for _ in range(5):
        began = time.perf_counter()
        call()
        took.append(time.perf_counter() - began)
    return min(took)
