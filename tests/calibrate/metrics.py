"""Scores of forecasts of whole numbers, from their distribution functions.

Sources: Gneiting and Raftery 2007 (CRPS), Koenker and Bassett 1978 (pinball), Czado, Gneiting and Held 2009
(randomised PIT), Clopper and Pearson 1934.
"""

from __future__ import annotations

import numpy as np
from scipy import stats

from tests.calibrate.supply import Floats, Ints

LEVELS = (0.05, 0.5, 0.95)


def crps(law: Floats, truth: int) -> float:
    """Continuous ranked probability score on whole numbers, exactly: ``law`` is P(X <= x) at x = 0, 1, …,
    and 1 beyond. In the unit of X; 0 is perfect."""
    below = max(0, truth - len(law))  # there P(X <= x) is 1 and should be 0
    reached = np.arange(len(law)) >= truth
    return float(((law - reached) ** 2).sum()) + below


def law_of(sample: Ints) -> Floats:
    """P(X <= x) at x = 0, 1, … as a sample (N,) of whole numbers >= 0 has it."""
    return np.cumsum(np.bincount(sample)) / len(sample)


def quantile(law: Floats, level: float) -> int:
    """The least x with P(X <= x) >= ``level``."""
    return int(np.searchsorted(law, level - 1e-12))


def pinball(forecast: float, truth: float, level: float) -> float:
    """max(level (y − q), (level − 1) (y − q)); twice its integral over the level is the CRPS."""
    return max(level * (truth - forecast), (level - 1.0) * (truth - forecast))


def pit(law: Floats, truth: int, place: float) -> float:
    """Randomised probability integral transform: F(y − 1) + ``place`` (F(y) − F(y − 1)) with ``place`` in
    [0, 1)."""
    low = _at(law, truth - 1)
    return low + place * (_at(law, truth) - low)


def _at(law: Floats, x: int) -> float:
    if x < 0:
        return 0.0
    return float(law[x]) if x < len(law) else 1.0


def coverage(pits: Floats, inside: float = 0.9) -> float:
    """Share of the truths in the central interval that holds ``inside``."""
    edge = (1.0 - inside) / 2.0
    return float(((pits > edge) & (pits < 1.0 - edge)).mean())


def histogram(pits: Floats, bins: int = 10) -> Ints:
    return np.histogram(pits, bins=bins, range=(0.0, 1.0))[0]


def flat(pits: Floats, bins: int = 10) -> float:
    """p-value of Pearson's chi-square test that the PIT is uniform."""
    return float(stats.chisquare(histogram(pits, bins)).pvalue)


def at_most(hits: int, trials: int, sure: float = 0.99) -> float:
    """The upper one-sided bound of Clopper and Pearson for a share."""
    return 1.0 if hits >= trials else float(stats.beta.ppf(sure, hits + 1, trials - hits))
