"""How many more panels a slot can complete, and how sure that is.

X, the panels to empty, has P(X < k) = P(the supply can't give the parts that k panels need). This file turns
panels into parts (orders ahead, usage, the panel in work) and asks ``depletion``; when that will be is
``pace``'s and ``calendar``'s. It doesn't know what anybody will do with the answer.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields, replace
from itertools import count

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from service.domain import distant
from service.domain.depletion import (
    CRUMB,
    Floats,
    chance_below,
    chance_short,
    chance_short_one,
    expected_left,
    still_feeding,
)
from service.domain.horizon import Ahead, Horizon, parts_needed

Ints = npt.NDArray[np.int64]

QUANTILES: Floats = np.array([0.05, 0.5, 0.95])
_GOALS: Floats = ndtri(QUANTILES)

MOST = float(2**53 - 1)
"""What never empties, because nothing uses it any more, empties after so many panels."""

FAR = 60
"""Panels, and parts, at the 5 % quantile from which on ``distant`` is good enough."""
_AT_ONCE = 512
"""Slots times ways up to which all ways are asked in one call."""
_HAIR = 1e-9
"""More than the share by which rounding can tell a way's need from that of whole boards."""
_GIVE = 0.005
"""Of the panels: how close a search must come there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """One slot as the forecast sees it: what is needed, and what ``depletion.chance_short_one`` wants.

    ``paths``: where boards are skipped, what is needed is one of these, each as likely; none: ``horizon``.
    """

    horizon: Horizon
    left: Floats
    weight: Floats
    a: float
    b: float
    blind: float
    paths: Sequence[Horizon] = ()

    @property
    def ways(self) -> tuple[Horizon, ...]:
        return tuple(self.paths) or (self.horizon,)

    def parts_needed(self, panels: float) -> Sequence[float]:
        """Of so many panels, on each way."""
        if isinstance(self.paths, Ahead):
            return self.paths.parts_needed(panels)
        return [parts_needed(way, panels) for way in self.ways]


_WAYS = ("most", "rates", "usage")


@dataclass(frozen=True, slots=True, kw_only=True)
class Questions:
    """S slots side by side: ``left``, ``weight``, ``feeding`` (S, Q); ``most``, ``rates`` (S, P, T) the
    orders' panels and parts per panel on each of P ways, padded with zeros, ``usage`` (S, P) after them; the
    others (S,). Only the first ``ways`` of a slot count."""

    left: Floats
    weight: Floats
    feeding: Floats
    a: Floats
    b: Floats
    blind: Floats
    most: Floats
    rates: Floats
    usage: Floats
    taken: Floats
    ways: Ints

    @classmethod
    def of(cls, questions: Sequence[Question]) -> Questions:
        """Slots of one width Q; at least one."""
        left = np.array([question.left for question in questions], dtype=np.float64)
        weight = np.array([question.weight for question in questions], dtype=np.float64)
        a = np.array([question.a for question in questions], dtype=np.float64)
        b = np.array([question.b for question in questions], dtype=np.float64)
        blind = np.array([question.blind for question in questions], dtype=np.float64)
        counts = [len(question.ways) for question in questions]
        number = max(counts)
        ways = [way for each in questions for way in (*each.ways, *each.ways[:1] * (number - len(each.ways)))]
        most, rates = _side_by_side([way.steps for way in ways])
        shape = (len(questions), number)
        return cls(
            left=left,
            weight=weight,
            feeding=still_feeding(left, weight, a, b, blind),
            a=a,
            b=b,
            blind=blind,
            most=most.reshape(*shape, -1),
            rates=rates.reshape(*shape, -1),
            usage=np.array([way.usage for way in ways], dtype=np.float64).reshape(shape),
            taken=np.array([question.horizon.taken for question in questions], dtype=np.float64),
            ways=np.array(counts, dtype=np.int64),
        )

    def rows(self, rows: Ints) -> Questions:
        """Some of them, no wider than they need."""
        ways = int(self.ways[rows].max(initial=1))
        chosen = {
            field.name: getattr(self, field.name)[rows] for field in fields(self) if field.name not in _WAYS
        }
        return Questions(**chosen, **{name: getattr(self, name)[rows, :ways] for name in _WAYS})

    def parts_needed(self, panels: Floats) -> Floats:
        """The function ``parts_needed`` for every slot at its own number of panels, to the same last bit, on
        each way, (S, P)."""
        parts, panels = -self.taken[:, None], panels[:, None]
        for step in range(self.most.shape[2]):
            ran = np.minimum(panels, self.most[:, :, step])
            parts = parts + ran * self.rates[:, :, step]
            panels = panels - ran
        return np.maximum(parts + panels * self.usage, 0.0)

    def panels_for(self, parts: Floats, ways: slice) -> Floats:
        """The inverse: the panels, with a fraction, that ``parts``, (S, N), suffice for on some ways, (S, W);
        at most ``MOST``. N is W, or one of them is 1."""
        parts = parts + self.taken[:, None] + np.zeros(self.usage[:, ways].shape)
        panels = np.zeros(parts.shape)
        going = np.ones(parts.shape, dtype=bool)
        for step in range(self.most.shape[2]):
            most, rate = self.most[:, ways, step], self.rates[:, ways, step]
            ran = np.where(going, np.minimum(_over(parts, rate), most), 0.0)
            panels += ran
            parts = np.maximum(parts - ran * rate, 0.0)
            going &= ran >= most
        panels += np.where(going, _over(parts, self.usage[:, ways]), 0.0)
        return np.minimum(panels, MOST)


def _over(parts: Floats, rate: Floats) -> Floats:
    quotient = np.full(parts.shape, np.inf)
    np.divide(parts, rate, out=quotient, where=rate > 0.0)
    return quotient


def _side_by_side(steps: Sequence[tuple[tuple[float, float], ...]]) -> tuple[Floats, Floats]:
    padded = np.zeros((len(steps), max(map(len, steps)), 2))
    for row, each in enumerate(steps):
        if each:
            padded[row, : len(each)] = each
    return padded[:, :, 0], padded[:, :, 1]


def chance_due(question: Question, lead: int, needed: int | None, *, whole: bool = False) -> float:
    """P(X <= ``lead`` and X < ``needed``), rounded to 1e-6; ``needed`` panels, ``None``: no end is known;
    ``whole``: as if no board were skipped, soon known and never less."""
    panels = lead + 1 if needed is None else min(lead + 1, needed)
    if panels <= 0:
        return 0.0
    of = question
    chance, known = 0.0, dict[float, float]()
    needs = [parts_needed(of.horizon, panels) * (1.0 + _HAIR)] if whole else of.parts_needed(panels)
    for need in needs:
        if need not in known:
            known[need] = chance_short_one(need, of.left, of.weight, of.a, of.b, of.blind)
        chance += known[need]
    return round(chance / len(needs) * 1e6) / 1e6


def chances_due(questions: Questions, lead: Floats, needed: Floats) -> Floats:
    """``chance_due`` of every slot, to the same last bit; ``needed`` is infinite where no end is known."""
    need = questions.parts_needed(np.maximum(np.minimum(lead + 1.0, needed), 0.0))
    return np.asarray(np.rint(_chance_short(questions, need) * 1e6) / 1e6)


def panels_to_empty(questions: Questions) -> Ints:
    """The 5 %, 50 % and 95 % quantiles of X, (S, 3): the least x with P(X <= x) >= p.

    Exact for the possibilities as they are where it may matter soon. Farther away than ``FAR`` panels by
    ``distant``: to the panel, half a per cent or a hundredth of the chance. That is nearer to the law that
    the possibilities stand for than counting them is.
    """
    parts, trusted = distant.from_cumulants(
        _GOALS, questions.left, questions.feeding, questions.a, questions.b, questions.blind
    )
    found = (np.ceil(questions.panels_for(parts, slice(0, 1))) - 1).astype(np.int64)
    found = np.maximum.accumulate(np.maximum(found, 0), axis=1)
    trusted &= (questions.ways == 1) & (found[:, 2] < MOST / 2.0)
    far = (found[:, 0] > FAR) & (parts.min(axis=1) > FAR)
    for ways in np.unique(questions.ways):
        alike = questions.ways == ways
        _search(questions, alike & far & ~trusted, _chance_short_afar, _GIVE, found)
        _search(questions, alike & (~far | (found[:, 0] <= FAR)), _chance_short, 0.0, found)
    return found


def _search(
    questions: Questions,
    which: npt.NDArray[np.bool_],
    chance: Callable[[Questions, Floats], Floats],
    give: float,
    found: Ints,
) -> None:
    """Put the quantiles of some, with the same number of ways, in their place."""
    rows = np.flatnonzero(which)
    if rows.size:
        asked = questions if rows.size == len(found) else questions.rows(rows)
        found[rows] = _quantiles(asked, chance, *_parts_to_empty(asked, coming=1.0), give=give)


def left_quantiles(questions: Questions) -> tuple[Ints, Floats, Ints]:
    """5 % quantile, mean and 95 % quantile of the parts really left now, each (S,).

    Exact for the beliefs as they are: unreported losses of the ``blind`` placements are taken off, and that
    the slot still feeds is taken into account.
    """
    none = np.zeros((len(questions.a), 1, 0))
    ones, zeros = np.ones((len(questions.a), 1)), np.zeros_like(questions.a)
    parts = replace(questions, most=none, rates=none, usage=ones, taken=zeros)
    low_median_high = _quantiles(parts, _chance_left_below, *_parts_to_empty(questions, coming=0.0))
    mean = expected_left(
        questions.left, questions.weight, questions.feeding, questions.a, questions.b, questions.blind
    )
    return low_median_high[:, 0], mean, low_median_high[:, 2]


def _chance_short(questions: Questions, need: Floats) -> Floats:
    return _over_ways(
        questions,
        need,
        lambda of, parts: chance_short(parts, of.left, of.weight, of.a, of.b, of.blind, of.feeding),
    )


def _chance_short_afar(questions: Questions, need: Floats) -> Floats:
    return _over_ways(
        questions,
        need,
        lambda of, parts: distant.chance_short_afar(
            parts, of.left, of.weight, of.feeding, of.a, of.b, of.blind
        ),
    )


def _over_ways(questions: Questions, need: Floats, chance: Callable[[Questions, Floats], Floats]) -> Floats:
    """The mean of the chances on all ways of each slot; those of few slots are asked together."""
    slots, ways = need.shape
    if ways > 1 and need.size <= _AT_ONCE and (questions.ways == ways).all():
        all_ways = questions.rows(np.repeat(np.arange(slots), ways))
        found = chance(all_ways, need.reshape(-1)).reshape(slots, ways)
        return np.asarray(sum(found[:, way] for way in range(ways)) / questions.ways)
    together = chance(questions, need[:, 0])
    for way in range(1, ways):
        rows = np.flatnonzero(questions.ways > way)
        together[rows] += chance(questions.rows(rows), need[rows, way])
    return np.asarray(together / questions.ways)


def _chance_left_below(questions: Questions, parts: Floats) -> Floats:
    of = questions
    return chance_below(np.ceil(parts[:, 0] - CRUMB), of.blind, of.left, of.weight, of.feeding, of.a, of.b)


def _parts_to_empty(questions: Questions, coming: float) -> tuple[Floats, Floats]:
    """Mean and deviation of the placements to come (``coming`` 1) or of the parts left (0), by moments: a
    first guess for the search, nothing more."""
    weight = questions.feeding / np.maximum(questions.feeding.sum(axis=1), 1e-300)[:, None]
    left = (weight * questions.left).sum(axis=1)
    variance = (weight * (questions.left - left[:, None]) ** 2).sum(axis=1)
    odds = questions.a / questions.b
    mean = np.maximum((left - questions.blind * odds) / (1.0 + coming * odds), 0.0)
    exposure = questions.blind + coming * mean
    variance += exposure * odds * (1.0 + exposure / questions.b)
    return mean, np.maximum(np.sqrt(variance), 0.5) / (1.0 + coming * odds)


def _quantiles(
    questions: Questions,
    chance: Callable[[Questions, Floats], Floats],
    mean: Floats,
    spread: Floats,
    give: float = 0.0,
) -> Ints:
    """The least x with P(X < x + 1) >= p for the three p, where P(X < k) = ``chance`` of the parts k needs,
    (S, 3); or the middle of a bracket that is no wider than ``give`` of it.

    A bracket [low, high] per slot and p with P(X < low) < p <= P(X < high) shrinks until its ends touch.
    Inside, the normal deviate of the chance is nearly straight in the parts, so a straight line finds the
    place in two or three calls; once that has gone on for long (weighted possibilities make steps), every
    second call halves the bracket. All slots and quantiles that are still open share a call.
    """
    slot = np.repeat(np.arange(len(mean)), len(QUANTILES))
    goal, wanted = np.tile(_GOALS, len(mean)), np.tile(QUANTILES, len(mean))
    most = np.maximum(questions.left.max(axis=1), 0.0) + 2.0 * CRUMB
    ways = questions.usage.shape[1]
    middle = slice(ways // 2, ways // 2 + 1)
    beyond_all = questions.panels_for(most[:, None], slice(ways)).max(axis=1)
    if ways > 1:
        panels = questions.panels_for(mean[:, None], slice(ways)).T.copy()
        spread = np.hypot(spread, mean * panels.std(axis=0) / np.maximum(panels.mean(axis=0), 1.0))
    # Rows: panels, the parts they need, the deviate of the chance there (infinite: says nothing).
    low = np.array([np.zeros(len(slot)), np.zeros(len(slot)), np.full(len(slot), -np.inf)])
    high = np.array([np.floor(beyond_all)[slot] + 1.0, np.zeros(len(slot)), np.full(len(slot), np.inf)])
    for turn in count():
        rows = np.flatnonzero(high[0] - low[0] > np.maximum(1.0, give * low[0]))
        if not rows.size:
            break
        asked = questions.rows(slot[rows])
        aim = _straight(low[:, rows], high[:, rows], goal[rows], mean[slot[rows]], spread[slot[rows]])
        panels = np.ceil(asked.panels_for(np.maximum(aim, 0.0)[:, None], middle)[:, 0])
        if turn > 5 and turn % 2:
            panels = np.floor((low[0, rows] + high[0, rows]) / 2.0)
        panels = np.fmax(np.fmin(panels, high[0, rows] - 1.0), low[0, rows] + 1.0)
        need = asked.parts_needed(panels)
        reached = chance(asked, need)
        found = np.array([panels, need[:, ways // 2], ndtri(reached)])
        below = reached < wanted[rows]
        low[:, rows[below]] = found[:, below]
        high[:, rows[~below]] = found[:, ~below]
    return np.asarray(low[0] + np.floor((high[0] - low[0]) / 2.0), dtype=np.int64).reshape(-1, len(QUANTILES))


def _straight(low: Floats, high: Floats, goal: Floats, mean: Floats, spread: Floats) -> Floats:
    """The parts at which the deviate is ``goal``: on the line through both ends, or through one with the
    expected slope, or as expected where neither end says anything."""
    (_, near, near_deviate), (_, far, far_deviate) = low, high
    knows_near, knows_far = np.isfinite(near_deviate), np.isfinite(far_deviate)
    with np.errstate(invalid="ignore", divide="ignore"):
        between = near + (goal - near_deviate) * (far - near) / (far_deviate - near_deviate)
        from_near = near + (goal - near_deviate) * spread
        from_far = far + (goal - far_deviate) * spread
    one_end = np.where(knows_near, from_near, np.where(knows_far, from_far, mean + goal * spread))
    return np.where(knows_near & knows_far, between, one_end)
