"""When a supply will be short that lasts for long: the law of ``depletion``, without the special function.

Far from empty nobody asks whether it is one panel more or less. These forms cost a fraction of the exact ones
and spread each possibility over the way to its neighbours, as the law does that they stand for.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from service.domain.depletion import CRUMB, Floats

_LEAST = 1e-300
_SKEWED, _PEAKED, _COSTLY = 0.8, 1.0, 0.2
"""How far a law may be from normal, and lost parts per placed one, for its first moments to say all."""
_LEAST_SKEW, _MOST_SKEW, _CRUMBS = 1e-4, 4.0, 1e-9


def from_cumulants(
    deviates: Floats, left: Floats, feeding: Floats, a: Floats, b: Floats, blind: Floats
) -> tuple[Floats, npt.NDArray[np.bool_]]:
    """The placements after which the chance to be short has each of the D normal ``deviates``, (S, D), and
    whether that can be trusted, (S,). ``left``, ``feeding`` (S, Q) as in ``depletion``; the others (S,).

    By mean, variance and skewness of what is left less the losses while so many parts are placed, with the
    expansion of Cornish and Fisher (1938). Not to be trusted near empty, and not where the law is skewed or
    in two lumps.
    """
    total = np.maximum(feeding.sum(axis=1), _LEAST)
    middle = np.einsum("sq,sq->s", feeding, left) / total
    away = left - middle[:, None]
    square = away * away
    second = np.einsum("sq,sq->s", feeding, square) / total
    third = np.einsum("sq,sq,sq->s", feeding, square, away) / total
    fourth = np.einsum("sq,sq,sq->s", feeding, square, square) / total
    odds = a / b
    trusted = (middle > 4.0 * np.sqrt(second)) & (odds < _COSTLY)
    trusted &= np.abs(fourth - 3.0 * second**2) <= _PEAKED * second**2
    found = np.empty((len(middle), len(deviates)))
    for place, deviate in enumerate(deviates.tolist()):
        parts = (middle - odds * blind) / (1.0 + odds)
        for _ in range(5):
            exposure = np.maximum(parts, 0.0) + blind
            losses, share = odds * exposure, exposure / b
            spread = np.sqrt(second + losses * (1.0 + share)) + 1e-9
            skew = (third - losses * (1.0 + share) * (1.0 + 2.0 * share)) / spread**3
            bent = deviate + skew * (deviate**2 - 1.0) / 6.0
            bent -= skew**2 * (2.0 * deviate**3 - 5.0 * deviate) / 36.0
            parts = middle - losses + spread * bent + 0.5
        found[:, place] = np.maximum(parts, 0.0)
        trusted &= np.abs(skew) < _SKEWED
    return found, trusted


def chance_short_afar(
    need: Floats, left: Floats, weight: Floats, feeding: Floats, a: Floats, b: Floats, blind: Floats
) -> Floats:
    """``depletion.chance_short`` where many parts are left, (S,).

    What is left lies evenly between a possibility's neighbours. Mean, variance and skewness of that less the
    losses give the normal deviate, as if it were a Gamma law, by Wilson and Hilferty's (1931) cube root, and
    the deviate a chance by Page's (1977) hyperbolic tangent.
    """
    exposure = need + blind
    losses, share = a / b * exposure, exposure / b
    second = losses * (1.0 + share)
    third = second * (1.0 + 2.0 * share)
    variance = _between(left)
    variance += second[:, None] + _CRUMBS
    deviation = np.sqrt(variance)
    variance *= deviation
    skew = np.clip(third[:, None] / variance, _LEAST_SKEW, _MOST_SKEW)
    deviate = left - (np.ceil(need - CRUMB) + losses - 0.5)[:, None]
    deviate /= deviation
    deviate *= skew
    deviate = (np.cbrt(deviate / 2.0 + 1.0) - 1.0) * 6.0 / skew + skew / 6.0
    lasting = 0.5 + 0.5 * np.tanh(deviate * (0.7978845608 + 0.035677408 * deviate * deviate))
    total = feeding.sum(axis=1)
    lasts = np.einsum("sq,sq->s", weight, lasting) / np.maximum(total, _LEAST)
    return np.asarray(np.clip(np.where(total > 0.0, 1.0 - lasts, 1.0), 0.0, 1.0))


def _between(left: Floats) -> Floats:
    """The variance of what lies evenly around each possibility, as wide as the way to the nearer
    neighbour."""
    gaps = np.abs(np.diff(left, axis=1))
    ways = np.empty_like(left)
    ways[:, 0], ways[:, -1] = gaps[:, 0], gaps[:, -1]
    np.minimum(gaps[:, :-1], gaps[:, 1:], out=ways[:, 1:-1])
    return np.asarray(ways * ways / 12.0)
