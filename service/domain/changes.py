"""When a slot began to lose more, or less: change points in losses among picks.

Circular binary segmentation (Olshen and others, Biostatistics 2004, from memory): of all spans of a time the
one is taken whose rate differs most from the rest by the likelihood ratio; it counts when that is more than
chance, and its parts are searched in turn. Losses are taken as Poisson with picks as the exposure. Given
their sum, those of a span are then binomial, so the chance needs no rate that would have to be known
(Przyborowski and Wilenski 1940, from memory); multiplied by what looking at so many spans is worth it is how
often a steady slot is accused. One burst is no change: a higher span must stand without its worst count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from scipy.special import betainc, xlogy

Ints = npt.NDArray[np.int64]
MOST_GROUPS = 48
"""Counts are put together to so many groups of as many picks: ten minutes of a shift."""
MOST_CHANGES = 6
_DEPTH = 3
_LOOKS = 100.0
"""Independent looks that those at all spans are worth at most. Measured on steady slots, for chances from a
fifth to a six thousandth: 10 with 12 losses, 33 with 50, 50 to 87 with 250 and with 1,250."""
_LIKELY = 3.0
"""Log likelihood by which a border may be worse than the best one and still be possible. Measured: nine
of ten times the true one is possible then."""


@dataclass(frozen=True, slots=True, order=True)
class Border:
    """The first count of what is new; it may as well be any from ``earliest`` to ``latest``."""

    first: int
    earliest: int
    latest: int


def find_changes(lost: Ints, picks: Ints, chance: float) -> list[Border]:
    """Borders between counts, in order. Where nothing changed there is one with at most that ``chance``."""
    sums = _Sums(np.concatenate(([0], np.cumsum(lost))), np.concatenate(([0], np.cumsum(picks))), lost)
    borders: list[Border] = []
    _search(sums, 0, len(lost), chance, _DEPTH, borders)
    borders = _without_idle(sums, sorted(set(borders)), chance)
    return borders[:MOST_CHANGES]


@dataclass(frozen=True, slots=True, eq=False)
class _Sums:
    """``lost`` and ``picks`` before each count, and the losses ``each`` count had."""

    lost: Ints
    picks: Ints
    each: Ints

    def of(self, since: int, until: int) -> tuple[int, int]:
        return int(self.lost[until] - self.lost[since]), int(self.picks[until] - self.picks[since])

    def worst(self, since: int, until: int) -> int:
        return int(self.each[since:until].max(initial=0))


def _search(sums: _Sums, since: int, until: int, chance: float, depth: int, found: list[Border]) -> None:
    if depth == 0 or until - since < 2 or sums.of(since, until)[0] < 2:
        return
    edges = _edges(sums.picks, since, until)
    if len(edges) < 3:
        return
    begin, end = _best_span(sums, edges)
    looks = min(_LOOKS, (len(edges) - 1) * len(edges) / 2)
    if not _is_change(sums, (since, until), (begin, end), chance / looks):
        return
    inner = [
        _settle(sums, (since, until), (begin, end), side) for side in (begin, end) if since < side < until
    ]
    found += inner
    marks = [since, *sorted(border.first for border in inner), until]
    for left, right in pairwise(marks):
        _search(sums, left, right, chance, depth - 1, found)


def _edges(picks: Ints, since: int, until: int) -> Ints:
    """Borders of groups with about as many picks each."""
    groups = min(MOST_GROUPS, until - since)
    aims = picks[since] + (picks[until] - picks[since]) * np.arange(1, groups) / groups
    inner = np.searchsorted(picks[since : until + 1], aims) + since
    return np.unique(np.concatenate(([since], inner, [until])))


@cache
def _pairs(edges: int) -> tuple[Ints, Ints]:
    """All spans but the whole."""
    begin, end = np.triu_indices(edges, 1)
    keep = end - begin < edges - 1
    return begin[keep], end[keep]


def _best_span(sums: _Sums, edges: Ints) -> tuple[int, int]:
    begin, end = _pairs(len(edges))
    lost, picks = sums.lost[edges], sums.picks[edges]
    gain = _gain(lost[end] - lost[begin], picks[end] - picks[begin], lost[-1] - lost[0], picks[-1] - picks[0])
    best = int(np.argmax(gain))
    return int(edges[begin[best]]), int(edges[end[best]])


def _gain(x: Ints, n: Ints, lost: int, picks: int) -> npt.NDArray[np.float64]:
    """The log likelihood ratio of two rates, in a span with ``x`` of ``n`` and in the rest, against one."""
    y, m = lost - x, picks - n
    with np.errstate(divide="ignore", invalid="ignore"):
        two = xlogy(x, x / n) + xlogy(y, y / m)
    return np.asarray(np.nan_to_num(two - xlogy(lost, lost / picks), nan=0.0, posinf=0.0))


def _is_change(sums: _Sums, whole: tuple[int, int], span: tuple[int, int], chance: float) -> bool:
    lost, picks = sums.of(*whole)
    x, n = sums.of(*span)
    if not 0 < n < picks:
        return False
    higher = x * picks > lost * n
    burst = sums.worst(*span) if higher else max(sums.worst(whole[0], span[0]), sums.worst(span[1], whole[1]))
    return all(
        2.0 * unlikely(x - (gone if higher else 0), lost - gone, n / picks, higher=higher) <= chance
        for gone in (0, burst)
    )


def unlikely(x: int, lost: int, share: float, *, higher: bool) -> float:
    """The chance of ``x`` or more (not ``higher``: or fewer) of ``lost`` in ``share`` of the picks."""
    if higher:
        return 1.0 if x <= 0 else float(betainc(x, lost - x + 1, share))
    return 1.0 if x >= lost else float(betainc(lost - x, x + 1, 1.0 - share))


def _settle(sums: _Sums, whole: tuple[int, int], span: tuple[int, int], side: int) -> Border:
    """The likeliest count for one side of a span while the other side stays."""
    other = span[1] if side == span[0] else span[0]
    low, high = (whole[0] + 1, other) if side < other else (other + 1, whole[1])
    counts = np.arange(low, high)
    x = np.abs(sums.lost[counts] - sums.lost[other])
    n = np.abs(sums.picks[counts] - sums.picks[other])
    gain = _gain(x, n, *sums.of(*whole))
    best = int(np.argmax(gain))
    likely = np.flatnonzero(gain >= gain[best] - _LIKELY)
    return Border(int(counts[best]), int(counts[likely[0]]), int(counts[likely[-1]]))


def _without_idle(sums: _Sums, borders: Sequence[Border], chance: float) -> list[Border]:
    """Without those whose two sides alone don't differ by more than chance, the idlest first."""
    kept = list(borders)
    while kept:
        marks = [0, *(border.first for border in kept), len(sums.each)]
        idle = [_between(sums, *three) for three in zip(marks, marks[1:], marks[2:], strict=False)]
        worst = int(np.argmax(idle))
        if idle[worst] <= chance:
            break
        del kept[worst]
    return kept


def _between(sums: _Sums, since: int, at: int, until: int) -> float:
    lost, picks = sums.of(since, until)
    x, n = sums.of(at, until)
    if not 0 < n < picks:
        return 1.0
    return 2.0 * unlikely(x, lost, n / picks, higher=x * picks > lost * n)
