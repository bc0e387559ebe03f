"""How many more panels a slot can complete, and how sure that is.

X, the panels to empty, has P(X < k) = P(the supply can't give the parts that k panels need). ``inquiry`` says
what parts those are, ``depletion`` how likely they are there; when that will be is ``pace``'s and
``calendar``'s. This file doesn't know what anybody will do with the answer.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
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
)
from service.domain.horizon import parts_needed
from service.domain.inquiry import MOST, Ints, Question, Questions

QUANTILES: Floats = np.array([0.05, 0.5, 0.95])
_GOALS: Floats = ndtri(QUANTILES)

FAR = 60
"""Panels, and parts, at the 5 % quantile from which on ``distant`` is good enough."""
_AT_ONCE = 512
"""Slots times ways up to which all ways are asked in one call."""
_HAIR = 1e-9
"""More than the share by which rounding can tell a way's need from that of whole boards."""
_GIVE = 0.005
"""Of the panels: how close a search must come there."""


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
    low_median_high = _quantiles_of_possibilities(questions.left, questions.feeding)
    unreported = np.flatnonzero(questions.blind > 0.0)
    if unreported.size:
        asked = questions.rows(unreported)
        none = np.zeros((unreported.size, 1, 0))
        ones, zeros = np.ones((unreported.size, 1)), np.zeros(unreported.size)
        parts = replace(asked, most=none, rates=none, usage=ones, taken=zeros)
        low_median_high[unreported] = _quantiles(
            parts, _chance_left_below, *_parts_to_empty(asked, coming=0.0)
        )
    mean = expected_left(
        questions.left, questions.weight, questions.feeding, questions.a, questions.b, questions.blind
    )
    return low_median_high[:, 0], mean, low_median_high[:, 2]


def _quantiles_of_possibilities(left: Floats, feeding: Floats) -> Ints:
    """What ``_quantiles`` finds of ``_chance_left_below`` where all losses were reported, to the same last
    bit, (S, 3): one of the possibilities; they ascend."""
    chance = np.cumsum(feeding, axis=1)
    total = chance[:, -1:]
    chance /= np.where(total > 0.0, total, 1.0)
    # Of the first possibility that reaches it; where nothing can be left, of the first of all.
    place = (chance[:, None, :] >= QUANTILES[:, None]).argmax(axis=2)
    found = np.take_along_axis(left, place, axis=1)
    return np.where(total > 0.0, np.floor(found), 0.0).astype(np.int64)


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
