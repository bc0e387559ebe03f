"""Measures of how forecasts of one life get better towards its end, as the prognostics literature has them.

Saxena et al., Metrics for evaluating performance of prognostic techniques (2008), and Metrics for offline
evaluation of prognostic performance (2010). ``left`` is what really remains at each forecast, ``said`` what
the forecast says, both (T,), the oldest forecast first, in panels.
"""

from __future__ import annotations

import numpy as np

from tests.calibrate.supply import Floats

ALPHA = 0.2
BETA = 0.5


def mass_within(law: Floats, left: float, alpha: float = ALPHA) -> float:
    """What a law (P(X <= x) at x = 0, 1, …) gives to the whole panels within ``alpha`` of ``left``."""
    low = int(np.ceil(left * (1.0 - alpha) - 1e-9))
    high = int(np.floor(left * (1.0 + alpha) + 1e-9))
    above = np.concatenate(([0.0], law, [1.0]))
    last = len(above) - 1
    return float(above[min(high + 1, last)] - above[min(low, last)])


def prognostic_horizon(left: Floats, within: np.ndarray, *, first: bool = False) -> float | None:
    """What was left when the criterion held from then on until the end; ``first``: when it first held, as one
    public implementation has it. ``None``: it never did."""
    if first:
        held = np.flatnonzero(within)
        return float(left[held[0]]) if len(held) else None
    failed = np.flatnonzero(~within)
    start = failed[-1] + 1 if len(failed) else 0
    return float(left[start]) if start < len(left) else None


def alpha_lambda(left: float, mass: float, beta: float = BETA) -> bool | None:
    """Whether at least ``beta`` of the mass is within alpha of what is left; undefined at the end."""
    return mass >= beta if left > 0 else None


def relative_accuracy(left: float, said: float, *, event: float | None = None) -> float | None:
    """1 − |left − said| / left, unbounded below; undefined where nothing is left. With ``event``, the moment
    of the end, the error is relative to that instead, as one public implementation has it."""
    base = left if event is None else event
    return None if base == 0 else 1.0 - abs(left - said) / base


def cumulative_relative_accuracy(left: Floats, said: Floats, *, event: float | None = None) -> float | None:
    """The mean of the relative accuracies, each with the same weight."""
    each = [relative_accuracy(*pair, event=event) for pair in zip(left.tolist(), said.tolist(), strict=True)]
    known = [one for one in each if one is not None]
    return float(np.mean(known)) if known else None


def convergence(times: Floats, errors: Floats) -> float | None:
    """How fast ``errors`` (>= 0) at ``times`` fall: how far the centre of the area below the curve (a step
    after each time) is from the first moment on the axis. Smaller is faster. ``None``: there is no area."""
    steps, each = np.diff(times), errors[:-1]
    area = float((steps * each).sum())
    if area <= 0.0:
        return None
    x = 0.5 * float((np.diff(times**2) * each).sum()) / area
    y = 0.5 * float((steps * each**2).sum()) / area
    return float(np.hypot(x - times[0], y))
