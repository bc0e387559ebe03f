"""What is really in a supply, beside what was said of it: a law of the difference, in parts.

A law is a quantile function: parts over normal deviates, straight between its knots and beyond them. The law
of a kind of supply of which nothing is known yet is normal, two knots; one learned from finished supplies has
a knot for each value that was seen. That a supply still feeds, or that a sensor says how much is in it, cuts
the law off; the twelve possibilities are then taken anew from what is left of it.
"""

from __future__ import annotations

from array import array
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri

from service.domain.model import SupplyKind

Floats = npt.NDArray[np.float64]

NODES = 12
_x, _w = np.polynomial.legendre.leggauss(NODES)
# Gauss-Legendre in t, quantiles at t to the power of 1.5: closer together below, where warnings are decided.
_t = (_x + 1.0) / 2.0
QUANTILES: Floats = _t**1.5
WEIGHTS: Floats = _w * np.sqrt(_t) / (_w * np.sqrt(_t)).sum()
DEVIATES: Floats = ndtri(QUANTILES)
_ZEROS: Floats = np.zeros(NODES)
CERTAIN: Floats = np.eye(1, NODES)[0]
for _array in (QUANTILES, WEIGHTS, DEVIATES, _ZEROS, CERTAIN):
    _array.flags.writeable = False

AS_DECLARED = frozenset({SupplyKind.TRAY, SupplyKind.STICK})
_FAR = 4.0
"""Deviations above empty from which on it is no news that a supply still feeds."""
_NEVER = 1e-300
_FEW: Floats = ndtri([0.99])
_EVENLY: Floats = ndtri((np.arange(200) + 0.5) / 200)
_HEAVY = 0.15
"""Share of the mass from which on a single value is an atom: the law is flat there."""
_HAIR = 1e-6


@dataclass(frozen=True, eq=False, slots=True)
class Law:
    """``parts`` at ``deviates``, both ascending, (K,), K >= 2; ``exact``: the difference is 0 for certain.
    ``ends`` is how many finished supplies it was learned from."""

    deviates: Floats
    parts: Floats
    exact: bool = False
    ends: int = 0

    def __eq__(self, other: object) -> bool:
        return (
            isinstance(other, Law)
            and (self.exact, self.ends) == (other.exact, other.ends)
            and (np.array_equal(self.deviates, other.deviates) and np.array_equal(self.parts, other.parts))
        )

    __hash__ = None  # type: ignore[assignment]

    def __post_init__(self) -> None:
        object.__setattr__(self, "offsets", _ZEROS if self.exact else np.rint(self.at(DEVIATES)))
        self.offsets.flags.writeable = False
        object.__setattr__(self, "_parts", array("d", self.parts.tobytes()))
        object.__setattr__(self, "_deviates", array("d", self.deviates.tobytes()))
        object.__setattr__(self, "lowest", float(self.offsets[0]))

    lowest: float = 0.0
    """The first of ``offsets``; asked of every slot of every count."""
    offsets: Floats = None  # type: ignore[assignment]
    """The twelve possibilities, whole parts, while nothing cuts the law off; read-only."""
    _parts: array[float] = None  # type: ignore[assignment]
    """Sooner than numpy at a single value; as lists these two took more than all the rest of a law."""
    _deviates: array[float] = None  # type: ignore[assignment]

    @property
    def weights(self) -> Floats:
        return CERTAIN if self.exact else WEIGHTS

    @property
    def highest(self) -> float:
        return float(self.offsets[-1])

    @property
    def most(self) -> float:
        """What few supplies exceed: one in a hundred."""
        return 0.0 if self.exact else float(self.at(_FEW)[0])

    @property
    def mean(self) -> float:
        return 0.0 if self.exact else float(self.at(_EVENLY).mean())

    def at(self, deviates: Floats) -> Floats:
        """Parts at normal deviates."""
        return _along(deviates, self.deviates, self.parts)

    def deviate_of(self, parts: float) -> float:
        """The normal deviate of P(difference <= ``parts``)."""
        if len(self._parts) == 2:
            (low, high), (from_, to) = self._parts, self._deviates
            return float(from_ + (parts - low) * (to - from_) / (high - low))
        return _along_one(parts, self._parts, self._deviates)

    def left(self, book: float, *, above: float = 0.0, below: float = np.inf) -> tuple[Floats, Floats]:
        """The parts that may really be left while the books say ``book``, with weights, both (12,).

        It is known that more than ``above`` (0: it still feeds) and at most ``below`` are left. The quantiles
        are taken anew from the law between those; dropping possibilities one by one instead would make the
        chance of a slow slot jump as the books pass each of them. Where the law holds that to be impossible,
        anything between counts evenly, or just one part more than ``above`` where there is no ``below``.
        """
        if self.exact:
            return np.minimum(np.maximum(book + _ZEROS, above if above > 0.0 else -np.inf), below), CERTAIN
        low = self.deviate_of(above + 0.5 - book)
        if low < -_FAR and below == np.inf:
            return book + self.offsets, WEIGHTS
        high = self.deviate_of(below + 0.5 - book) if below < np.inf else np.inf
        over, beyond = float(ndtr(-low)), float(ndtr(-high))
        if below < np.inf and over - beyond < 1e-6:
            return np.rint(above + (below - above) * QUANTILES), WEIGHTS
        inside = np.maximum(over - (over - beyond) * QUANTILES, _NEVER)
        left = np.rint(book + self.at(-ndtri(inside)))
        return np.minimum(np.maximum(left, above + 1.0), below), WEIGHTS

    def of_several(self, number: int) -> Law:
        """The law of the sum over so many supplies that err independently: means add, deviations by the
        square root."""
        if number == 1 or self.exact:
            return self
        mean = self.mean
        return Law(self.deviates, number * mean + (self.parts - mean) * number**0.5, ends=self.ends)


def _along(x: Floats, knots: Floats, values: Floats) -> Floats:
    """Straight between the knots and, at the slope of the last piece, beyond them."""
    if len(knots) == 2:
        return np.asarray(values[0] + (x - knots[0]) * ((values[1] - values[0]) / (knots[1] - knots[0])))
    inside = np.interp(x, knots, values)
    first = (values[1] - values[0]) / (knots[1] - knots[0])
    last = (values[-1] - values[-2]) / (knots[-1] - knots[-2])
    below, above = np.minimum(x - knots[0], 0.0), np.maximum(x - knots[-1], 0.0)
    return np.asarray(inside + below * first + above * last)


def _along_one(x: float, knots: array[float], values: array[float]) -> float:
    """``_along`` of one ``x``, more than two knots, to the same last bit, sooner."""
    place = min(max(bisect_right(knots, x) - 1, 0), len(knots) - 2)
    slope = (values[place + 1] - values[place]) / (knots[place + 1] - knots[place])
    place += x >= knots[-1]
    return values[place] + (x - knots[place]) * slope


_two = np.array([-1.0, 1.0])
EXACT = Law(_two, np.array([-1e-9, 1e-9]), exact=True)


def doubt(declared: int) -> tuple[float, float]:
    """Mean and deviation of what a label leaves out, in parts, before anything was learned.

    A reel is 5 parts short on average, give or take 10 parts or 1.5 %, whichever is more. On a short strip
    nobody errs by much more than a tenth and one part, and the mean shrinks along.
    """
    deviation = min(max(10.0, 0.015 * declared), 1.0 + 0.1 * declared)
    return -min(5.0, deviation / 2.0), deviation


@lru_cache(maxsize=512)
def normal(mean: float, deviation: float) -> Law:
    return Law(_two, mean + deviation * _two)


def usual(kind: str | None, declared: int, *, exact: bool = False, assumed: bool = False) -> Law:
    """The law before anything was learned. Trays, sticks and a person's count (``exact``) are what they say;
    a usual quantity that nobody declared (``assumed``) is doubted whatever the kind."""
    if exact or (kind in AS_DECLARED and not assumed):
        return EXACT
    return normal(*doubt(declared))


_NOTHING = 1e-9
STANDS_FOR = 3.0
"""Supplies that one whose end was seen stands for at most: itself and two that were taken out before."""


def certain(values: Floats, weights: Floats, empty: npt.NDArray[np.bool_]) -> tuple[Floats, Floats, float]:
    """The values that were seen, what each weighs once the others are shared out, (M,) each, and what none of
    them may stand for.

    Of those not ``empty`` the true value is only known to be larger. Kaplan-Meier masses (Kaplan and Meier
    1958), weighted; but a value stands for at most ``STANDS_FOR`` of its like. Where few were seen the last
    of them would otherwise stand for nearly all, and that one may be a mistake in the books. Together they
    weigh as much as the values that were seen.
    """
    order = np.lexsort((~empty, values))
    values, weights, empty = values[order], weights[order], empty[order]
    at_risk = np.cumsum(weights[::-1])[::-1]
    hazard = np.where(empty, weights / at_risk, 0.0)
    surviving = np.cumprod(1.0 - np.minimum(hazard, 1.0))
    mass = np.concatenate(([1.0], surviving[:-1])) - surviving
    fair = np.minimum(mass, STANDS_FOR * weights / weights.sum())[empty]
    whole, rest = float(weights[empty].sum()), 1.0 - float(fair.sum())
    return values[empty], fair * whole, rest * whole if rest > _NOTHING else 0.0


def from_sample(values: Floats, weights: Floats, spread: float, ends: int, doubt: float = 0.0) -> Law:
    """The law of a weighted sample, (N,) each.

    A knot stands at each value, at the middle of its mass, or two near the ends of it where much of the mass
    is there. Beyond the outermost knots the law goes on with at least half of ``spread`` parts a deviation: a
    small sample hasn't seen the worst. With ``doubt`` 1 the i-th of n values stands at (i + 1/2) / (n + 2), a
    little wider than where the next one is as likely below (Weibull 1939: i / (n + 1)), because a law that is
    only estimated warns late more often than a known one.
    """
    places, first = np.unique(values, return_inverse=True)
    masses = np.bincount(first, weights=weights)
    masses = masses / masses.sum()
    least = max(spread / 2.0, _HAIR)
    if len(places) == 1:
        return Law(_two, places[0] + least * _two, ends=ends)
    middle = np.cumsum(masses) - masses / 2.0
    heavy = masses > _HEAVY
    wide = np.where(heavy, 0.45 * masses, 0.0)
    twice = np.where(heavy, 2, 1)
    sides = np.concatenate([[-1.0, 1.0] if each else [0.0] for each in heavy])
    number = weights.sum() ** 2 / (weights**2).sum()
    shares = np.repeat(middle, twice) + sides * np.repeat(wide, twice)
    deviates = ndtri((shares * number + doubt) / (number + 2.0 * doubt))
    places = np.repeat(places, twice) + sides * _HAIR
    low = (deviates[0] - 1.0, places[0] - max(least, _slope(deviates[:2], places[:2])))
    high = (deviates[-1] + 1.0, places[-1] + max(least, _slope(deviates[-2:], places[-2:])))
    knots = np.concatenate(([low[0]], deviates, [high[0]]))
    return Law(knots, np.concatenate(([low[1]], places, [high[1]])), ends=ends)


def _slope(deviates: Floats, parts: Floats) -> float:
    return float((parts[1] - parts[0]) / (deviates[1] - deviates[0]))


def together(members: Sequence[tuple[Floats, Floats]]) -> tuple[Floats, Floats]:
    """The parts of several supplies added up, each (12,) with weights, as if they erred independently."""
    parts, weights = members[0]
    for other, shares in members[1:]:
        if shares.item(0) == 1.0:
            parts = parts + other[0]
        elif weights.item(0) == 1.0:
            parts, weights = other + parts[0], shares
        else:
            sums, mass = np.add.outer(parts, other).ravel(), np.outer(weights, shares).ravel()
            order = np.argsort(sums, kind="stable")
            sums, mass = sums[order], mass[order]
            parts = np.rint(np.interp(QUANTILES, np.cumsum(mass) - mass / 2.0, sums))
            weights = WEIGHTS
    return parts, weights
