"""A series of counts that is not ours, told to the rules as losses of a panel.

It shows whether the belief of the losses follows counts that nobody made up for it, one panel and three
ahead, beside Poisson and negative binomial laws of all that was seen until then. It shows nothing about
supplies: these are not placements, nobody knows how many chances each count had (we tell 2000 placements a
panel, which makes the share lost a usual one), and the series are short and know no trend, so that whoever
remembers everything has the better of whoever forgets.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import stats

from service.domain import floor
from service.domain.events import CountMessage, RecipeMessage, SlotCount, SupplyMessage
from service.domain.world import World
from tests.calibrate.ask import losses_ahead
from tests.calibrate.metrics import crps, pit
from tests.calibrate.supply import Floats

PLACED = 2000
WARM = 5
AHEAD = (1, 3)

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.1, defects on 25 wafers; a work of the United States
# government, in the public domain. From memory; mean and control limits recomputed in the tests.
WAFERS = (16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13)
# L. von Bortkewitsch, Das Gesetz der kleinen Zahlen, 1898: deaths by the kick of a horse in fourteen corps,
# 1875 to 1894; in the public domain by its age. From memory; their sum, 196, recomputed in the tests.
KICKS = (3, 5, 7, 9, 10, 18, 6, 14, 11, 9, 5, 11, 15, 6, 11, 17, 12, 15, 8, 4)
SERIES = {"defects on wafers": WAFERS, "kicks of horses": KICKS}

REACH = np.arange(400)


@dataclass(frozen=True, slots=True)
class Compared:
    """Mean CRPS of losses in ``ahead`` panels, and how often ours were inside our 90 % interval."""

    series: str
    ahead: int
    forecasts: int
    ours: float
    poisson: float
    binomial: float
    inside: float


def compare() -> Iterator[Compared]:
    for name, series in SERIES.items():
        beliefs = list(_follow(series))
        for ahead in AHEAD:
            yield _compare(name, series, beliefs, ahead)


def _follow(series: tuple[int, ...]) -> Iterator[tuple[float, float]]:
    """The belief of the loss odds after each count."""
    world, now, lost = World(), 0, 0
    supply = SupplyMessage(slot="F01", change="loaded", id="load-1", kind="tape", quantity=10_000_000)
    start = CountMessage(slots={"F01": SlotCount(0, 0)}, session="s1", seq=0, panels=0)
    for message in (RecipeMessage(recipe="R1", usage={"F01": float(PLACED)}), start, supply):
        now += 1
        floor.apply(world, message, line="L1", station="P1", at=now)
    for panel, count in enumerate(series, 1):
        lost += count
        now += 20_000_000
        slots = {"F01": SlotCount(panel * PLACED, lost)}
        message = CountMessage(slots=slots, session="s1", seq=panel, panels=panel)
        floor.apply(world, message, line="L1", station="P1", at=now)
        yield losses_ahead(world, "L1", "P1", "F01")


def _compare(name: str, series: tuple[int, ...], beliefs: list[tuple[float, float]], ahead: int) -> Compared:
    chance = np.random.default_rng(1)
    scores, pits = [], []
    for known in range(WARM, len(series) - ahead + 1):
        truth = sum(series[known : known + ahead])
        a, b = beliefs[known - 1]
        laws = (
            stats.nbinom.cdf(REACH, a, b / (b + ahead * PLACED)),
            stats.poisson.cdf(REACH, ahead * float(np.mean(series[:known]))),
            _binomial(series[:known], ahead),
        )
        scores.append([crps(law, truth) for law in laws])
        pits.append(pit(laws[0], truth, float(chance.random())))
    inside = float(np.mean([0.05 < each < 0.95 for each in pits]))
    ours, poisson, binomial = np.mean(scores, axis=0).tolist()
    return Compared(name, ahead, len(scores), ours, poisson, binomial, inside)


def _binomial(seen: tuple[int, ...], ahead: int) -> Floats:
    """Negative binomial by moments, of independent counts; Poisson where they don't vary more than that."""
    mean, variance = float(np.mean(seen)), float(np.var(seen, ddof=1))
    if variance <= mean:
        return stats.poisson.cdf(REACH, ahead * mean)
    return stats.nbinom.cdf(REACH, ahead * mean * mean / (variance - mean), mean / variance)
