"""Scenarios and seeds played and scored, two at a time; the law that changes in windows after its change."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

from tests.calibrate.life import Life
from tests.calibrate.plant import Plant
from tests.calibrate.scenario import SCENARIOS
from tests.calibrate.score import Score, merged, score

FULL, QUICK = (500, 1000), (100, 200)
WINDOWS = ((0, 30, "1 to 30 after"), (30, 100, "31 to 100 after"), (100, 1 << 30, "101 on"))


@dataclass(frozen=True, slots=True)
class Task:
    """``learn`` supplies are finished before the first of the ``test`` that are scored is loaded."""

    scenario: str
    seed: int
    learn: int
    test: int


def play(task: Task) -> dict[str, Score]:
    """By part of the scenario (one, of no name, where its laws don't change)."""
    plant = Plant(SCENARIOS[task.scenario], seed=task.seed, learn=task.learn, test=task.test)
    lives = plant.run()
    if plant.scenario.later is None:
        return {"": score(lives, task.seed)}
    parts: dict[str, list[Life]] = {name: [] for name in ("before", *(name for *_, name in WINDOWS))}
    for life in lives:
        parts[_part(life.number - plant.turn)].append(life)
    return {name: score(part, task.seed) for name, part in parts.items()}


def _part(after: int) -> str:
    return next((name for first, end, name in WINDOWS if first <= after < end), "before")


def play_all(
    scenarios: Sequence[str], seeds: Sequence[int], size: tuple[int, int], workers: int
) -> dict[tuple[str, str], Score]:
    """The scores of each scenario and part over all seeds."""
    tasks = [Task(name, seed, *size) for name in scenarios for seed in seeds]
    found: dict[tuple[str, str], list[Score]] = {}
    with ProcessPoolExecutor(workers) as pool:
        for task, parts in zip(tasks, pool.map(play, tasks), strict=True):
            for part, one in parts.items():
                found.setdefault((task.scenario, part), []).append(one)
    return {key: merged(scores) for key, scores in found.items()}
