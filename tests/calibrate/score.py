"""From lives to scores: one ``Score`` for a scenario and seed, small enough to travel between processes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from tests.calibrate import prognostics
from tests.calibrate.life import Asked, Life
from tests.calibrate.metrics import LEVELS, crps, law_of, pinball, pit, quantile
from tests.calibrate.scenario import LEAD

RIVALS = ("earlybell", "oracle A", "oracle B", "naive", "average")


@dataclass(slots=True)
class Score:
    """``crps`` of each rival and ``pinball`` of ours at the three levels by horizon, ``pits`` by horizon and
    those of oracle A;
    ``given``: the panels there really were at each first warning, ``apart`` at those that couldn't come
    earlier; ``missed``: emptyings without any; ``silent``: horizons without a forecast. ``saxena``: by
    measure its values."""

    crps: dict[int, dict[str, list[float]]] = field(default_factory=dict)
    pinball: dict[int, list[tuple[float, ...]]] = field(default_factory=dict)
    pits: dict[int, list[float]] = field(default_factory=dict)
    oracle_pits: list[float] = field(default_factory=list)
    given: list[int] = field(default_factory=list)
    apart: list[int] = field(default_factory=list)
    missed: int = 0
    silent: int = 0
    saxena: dict[str, list[float]] = field(default_factory=dict)

    def mean_crps(self, rival: str) -> float:
        """Mean over the horizons of the mean CRPS."""
        return float(np.mean([np.mean(each[rival]) for each in self.crps.values()]))

    def all_pits(self) -> np.ndarray:
        return np.array([one for each in self.pits.values() for one in each])

    @property
    def lives(self) -> int:
        return len(self.given) + len(self.apart) + self.missed


def score(lives: Iterable[Life], seed: int) -> Score:
    """``seed`` places the truths inside their steps (randomised PIT)."""
    result = Score()
    chance = np.random.default_rng(np.random.SeedSequence((seed, 1)))
    for life in lives:
        assert life.ended is not None
        _score_warning(result, life, life.ended)
        told = []
        for asked in life.asked:
            place = float(chance.random())
            if asked.law is None:
                result.silent += 1
                continue
            told.append((asked, asked.law))
            _score_forecast(result, asked, asked.law, life.ended - asked.panel, place)
        if told:
            _score_course(result, told, life.ended)
    return result


def _score_warning(result: Score, life: Life, ended: int) -> None:
    if life.warned is None:
        result.missed += 1
    else:
        (result.apart if life.apart else result.given).append(ended - life.warned)


def _score_forecast(result: Score, asked: Asked, law: np.ndarray, truth: int, place: float) -> None:
    rivals = result.crps.setdefault(asked.horizon, {name: [] for name in RIVALS})
    values = (
        crps(law, truth),
        crps(law_of(asked.oracle), truth),
        crps(law_of(asked.knowing), truth),
        abs(asked.naive - truth),
        abs(asked.average - truth),
    )
    for name, value in zip(RIVALS, values, strict=True):
        rivals[name].append(value)
    result.pits.setdefault(asked.horizon, []).append(pit(law, truth, place))
    result.oracle_pits.append(pit(law_of(asked.oracle), truth, place))
    result.pinball.setdefault(asked.horizon, []).append(
        tuple(pinball(quantile(law, level), truth, level) for level in LEVELS)
    )


def _score_course(result: Score, told: Sequence[tuple[Asked, np.ndarray]], ended: int) -> None:
    left = np.array([ended - asked.panel for asked, _ in told], dtype=float)
    said = np.array([quantile(law, 0.5) for _, law in told], dtype=float)
    times = np.array([asked.panel for asked, _ in told], dtype=float)
    mass = [prognostics.mass_within(law, each) for (_, law), each in zip(told, left, strict=True)]
    held = [prognostics.alpha_lambda(*pair) for pair in zip(left.tolist(), mass, strict=True)]
    horizon = prognostics.prognostic_horizon(left, np.array([each is not False for each in held]))
    errors = np.append(np.abs(left - said), 0.0)
    found = {
        "prognostic horizon": 0.0 if horizon is None else horizon,
        "cumulative relative accuracy": prognostics.cumulative_relative_accuracy(left, said),
        "convergence": prognostics.convergence(np.append(times, ended), errors),
    }
    for (asked, _), each in zip(told, held, strict=True):
        found[f"alpha-lambda at {asked.horizon}"] = None if each is None else float(each)
    for name, value in found.items():
        if value is not None:
            result.saxena.setdefault(name, []).append(value)


def merged(scores: Sequence[Score]) -> Score:
    """Of several seeds one."""
    whole = Score()
    for one in scores:
        for horizon, rivals in one.crps.items():
            kept = whole.crps.setdefault(horizon, {name: [] for name in RIVALS})
            for name in RIVALS:
                kept[name] += rivals[name]
            whole.pits.setdefault(horizon, []).extend(one.pits[horizon])
            whole.pinball.setdefault(horizon, []).extend(one.pinball[horizon])
        whole.oracle_pits += one.oracle_pits
        whole.given += one.given
        whole.apart += one.apart
        whole.missed += one.missed
        whole.silent += one.silent
        for name, values in one.saxena.items():
            whole.saxena.setdefault(name, []).extend(values)
    whole.crps = dict(sorted(whole.crps.items(), reverse=True))
    return whole


def shortage(given: Sequence[int], lead: int = LEAD) -> tuple[int, float]:
    """(warnings with fewer panels than the lead, mean panels beyond the lead)."""
    panels = np.array(given, dtype=float)
    return int((panels < lead).sum()), float((panels - lead).mean()) if len(panels) else 0.0
