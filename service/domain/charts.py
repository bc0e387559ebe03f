"""Control charts by the formulas of the NIST/SEMATECH e-Handbook of Statistical Methods (6.3.2.4, 6.3.3).

A chart shows; it accuses nobody. With limits at three standard deviations points lie beyond them by chance:
measured with 5 losses a group, 4 in a thousand of a p-chart and 1 of an EWMA, so that every sixth steady slot
has one in 48 points. Whether something has changed is ``changes``' business. A point on a limit isn't beyond
it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Numbers = Sequence[float] | Sequence[int] | Floats | npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Chart:
    """``values``, with limits of its own for each."""

    center: float
    values: Floats
    lower: Floats
    upper: Floats

    @property
    def beyond(self) -> npt.NDArray[np.bool_]:
        return np.asarray((self.values < self.lower) | (self.values > self.upper))


def chart(values: Numbers, center: float, deviation: float | Floats, sigmas: float = 3.0) -> Chart:
    """Values whose standard deviation is ``deviation``: one for all, or one for each."""
    shown = np.asarray(values, dtype=np.float64)
    width = sigmas * np.broadcast_to(np.asarray(deviation, dtype=np.float64), shown.shape)
    return Chart(center, shown, center - width, center + width)


def p_chart(
    lost: Numbers, picks: Numbers, *, center: float | None = None, sigmas: float = 3.0
) -> Chart | None:
    """Shares of ``picks`` that were ``lost``: p ± k·√(p(1 - p)/n), not below 0. Without a ``center`` p is the
    share of all; ``None`` where there are no picks."""
    number, of = np.asarray(lost, dtype=np.float64), np.asarray(picks, dtype=np.float64)
    if not of.size or of.min() <= 0:
        return None
    p = float(number.sum() / of.sum()) if center is None else center
    return _not_below_zero(chart(number / of, p, _deviation(p, of), sigmas))


def _deviation(p: float, of: Floats) -> Floats:
    return np.asarray(np.sqrt(p * (1.0 - p) / of))


def _not_below_zero(found: Chart) -> Chart:
    return replace(found, lower=np.maximum(found.lower, 0.0))


def ewma_chart(
    values: Numbers, center: float, deviation: float | Floats, *, weight: float, sigmas: float = 3.0
) -> Chart:
    """z_t = w·x_t + (1 - w)·z_(t-1), which begins at ``center``; ``deviation`` is that of the values x.

    The limits follow the variance of z_t, which grows from the first value on to where the handbook's example
    has it at once: k·s·√(w/(2 - w)).
    """
    shown = np.asarray(values, dtype=np.float64)
    spread = np.broadcast_to(np.asarray(deviation, dtype=np.float64), shown.shape) ** 2
    z, variance = center, 0.0
    smooth, variances = np.empty_like(shown), np.empty_like(shown)
    for number, (value, each) in enumerate(zip(shown, spread, strict=True)):
        z = weight * value + (1.0 - weight) * z
        variance = weight**2 * each + (1.0 - weight) ** 2 * variance
        smooth[number], variances[number] = z, variance
    return chart(smooth, center, np.sqrt(variances), sigmas)


def p_ewma_chart(
    lost: Numbers, picks: Numbers, *, center: float | None = None, weight: float, sigmas: float = 3.0
) -> Chart | None:
    """The EWMA of a p-chart's shares, each with the deviation of its own number of picks; not below 0."""
    plain = p_chart(lost, picks, center=center, sigmas=sigmas)
    if plain is None:
        return None
    deviation = _deviation(plain.center, np.asarray(picks, dtype=np.float64))
    return _not_below_zero(ewma_chart(plain.values, plain.center, deviation, weight=weight, sigmas=sigmas))
