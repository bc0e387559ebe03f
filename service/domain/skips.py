"""Boards that a panel brings along but that get no parts: how many of the coming placements are skipped.

A skip is a property of the panel, so it is learned for each station, not for each slot: the share of the
placements that each of the last panels skipped. Skipping comes in spells (a bad batch of boards), so what
follows is taken from the station's own past at moments like this one.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from statistics import median
from typing import overload

import numpy as np

from service.domain.horizon import Ahead, Horizon, parts_needed

MOST_PANELS = 2400
"""Panels that are remembered, once one was skipped."""
AHEAD = (1, 2, 5, 10, 20, 50, 100, 150)
PATHS = 7
SPELL, LATELY = 0.10, 6
"""It skips now if more than this share was skipped in so many panels."""
_FEWEST = 20
"""Moments of the past that are enough to go by."""
_USUALLY = 5
"""Places of ``AHEAD`` that are worked out together: the usual lead lies within."""


@dataclass(slots=True)
class Placing:
    """What the slots of one message placed against what the recipe says: the ``ratios`` of those that placed
    too little, and how many placed all (``whole``)."""

    ratios: list[float] = field(default_factory=list)
    whole: int = 0

    def note(self, placed: float, expected: float) -> None:
        if placed >= expected:
            self.whole += expected > 0.0
        else:
            self.ratios.append(placed / expected)

    def noted(self, known: bytes, panels: int, before: int) -> bytes:
        """``note`` of what the message shows."""
        if not self.ratios and not (self.whole and known):
            return known
        return note(known, self.share(), panels, before)

    def share(self) -> float:
        """Skipped of a panel: by the median, so that one slot with a fault of its own is no skipped board; of
        one or two slots by the one that placed more."""
        if len(self.ratios) + self.whole < 3:
            return 0.0 if self.whole else 1.0 - max(self.ratios)
        return 1.0 - median([*self.ratios, *([1.0] * self.whole)])


def note(known: bytes, skipped: float, panels: int, before: int) -> bytes:
    """The memory after ``panels`` more panels that skipped that share each. Nothing is kept until something
    is skipped; ``before`` panels are then known to have been whole."""
    step = round(min(max(skipped, 0.0), 1.0) * 255)
    if not step and not known:
        return known
    known = known or bytes(min(before, MOST_PANELS))
    return (known + bytes([step]) * min(panels, MOST_PANELS))[-MOST_PANELS:]


class Paths(Ahead):
    """What the coming panels may need, on ways of equal chance; each is worked out when it is asked for, and
    only as far ahead as it is."""

    __slots__ = ("_all", "_horizon", "_known")

    def __init__(self, horizon: Horizon, known: bytes) -> None:
        self._horizon = horizon
        self._known = known
        self._all: tuple[Horizon, ...] | None = None

    def __len__(self) -> int:
        return PATHS

    @overload
    def __getitem__(self, place: int) -> Horizon: ...

    @overload
    def __getitem__(self, place: slice) -> tuple[Horizon, ...]: ...

    def __getitem__(self, place: int | slice) -> Horizon | tuple[Horizon, ...]:
        if self._all is None:
            self._all = tuple(_thinned(self._horizon, sums) for sums in _sums(self._known, len(AHEAD)))
        return self._all[place]

    def parts_needed(self, panels: float) -> list[float]:
        if panels > AHEAD[-1]:
            return [parts_needed(way, panels) for way in self]
        need: dict[tuple[float, ...], float] = {}
        rows = _sums(self._known, max(bisect_left(AHEAD, panels) + 1, _USUALLY))
        for sums in rows:
            if sums not in need:
                need[sums] = _parts_soon(self._horizon, sums, panels)
        return [need[sums] for sums in rows]


def paths(horizon: Horizon, known: bytes) -> Paths | tuple[()]:
    """The ways that the coming panels may go; none where nothing was skipped lately."""
    return Paths(horizon, known) if known.lstrip(b"\0") else ()


@lru_cache(maxsize=2048)
def _sums(known: bytes, places: int) -> list[tuple[float, ...]]:
    """Skipped panels' worth in the next ``AHEAD`` panels, quantiles of the past: a row for each of ``PATHS``,
    the first ``places`` of it. A place depends on those before it alone."""
    past = np.frombuffer(known, dtype=np.uint8) / 255.0
    total = np.concatenate(([0.0], np.cumsum(past)))
    now = bool(past[-LATELY:].mean() > SPELL)
    alike = _alike(total, now)
    until = total.take(alike)
    found = np.zeros((PATHS, places))
    for place, panels in enumerate(AHEAD[:places]):
        moments = len(past) - panels + 1
        if moments < _FEWEST and place:
            found[:, place] = found[:, place - 1] * panels / AHEAD[place - 1]
            continue
        chosen = alike[: alike.searchsorted(moments)]
        before = until[: len(chosen)]
        if len(chosen) < _FEWEST:
            chosen, before = np.arange(moments), total[:moments]
        found[:, place] = _quantiles(total.take(chosen + panels) - before)
    if not found.any():
        return [(0.0,) * places] * PATHS
    found = np.minimum(np.maximum.accumulate(found, axis=1), np.array(AHEAD[:places]))
    for place in range(1, places):
        most = found[:, place - 1] + AHEAD[place] - AHEAD[place - 1]
        found[:, place] = np.minimum(found[:, place], most)
    return [tuple(row) for row in found.tolist()]


def _alike(total: np.ndarray, now: bool) -> np.ndarray:
    """The moments of the past, ascending, that were in a spell as the present is, or outside one as it is;
    ``total`` is what was skipped until each."""
    before, panels = _moments(len(total))
    spells = (total - total[before]) / panels > SPELL
    return np.asarray(np.flatnonzero(spells == now))


@lru_cache(maxsize=256)
def _moments(number: int) -> tuple[np.ndarray, np.ndarray]:
    """Where the last few panels before each moment begin, and how many they are."""
    starts = np.arange(number)
    before = np.maximum(starts - LATELY, 0)
    return before, np.maximum(starts - before, 1)


_MIDDLES = (np.arange(PATHS) + 0.5) / PATHS
_NOTHING = np.zeros(PATHS)


def _quantiles(values: np.ndarray) -> np.ndarray:
    """``numpy.quantile`` of what isn't below 0 at the middles of the paths, to the same last bit; its own way
    costs ten times as much as the work."""
    if len(values) < _FEWEST:
        return np.asarray(np.quantile(values, _MIDDLES))
    lower, upper, kth, share, rest, beyond = _places(len(values))
    if np.count_nonzero(values) < len(values) - kth[-1]:
        return _NOTHING
    values.partition(kth)
    low, high = values[lower], values[upper]
    step = high - low
    return np.asarray(np.where(beyond, high - step * rest, low + step * share))


@lru_cache(maxsize=4096)
def _places(number: int) -> tuple[np.ndarray, ...]:
    """Where the quantiles of so many values lie: the places below and above, all of them, and how far it is
    from one to the other."""
    virtual = (number - 1) * _MIDDLES
    lower = np.floor(virtual).astype(np.intp)
    share = virtual - lower
    return lower, lower + 1, np.unique(np.concatenate((lower, lower + 1))), share, 1 - share, share >= 0.5


def _parts_soon(horizon: Horizon, sums: Sequence[float], panels: float) -> float:
    """What ``parts_needed`` says of ``_thinned`` where ``sums`` reach as far as ``panels``."""
    parts, rest = -horizon.taken, panels
    orders = iter((*horizon.steps, (float("inf"), horizon.usage)))
    most, rate = next(orders)
    reached, skipped = 0, 0.0
    for ahead, sum_ahead in zip(AHEAD, sums, strict=False):
        room = float(ahead - reached)
        kept = 1.0 - (sum_ahead - skipped) / room
        reached, skipped = ahead, sum_ahead
        while room > 0.0:
            ran = min(room, most)
            if ran > 0.0:
                runs = min(rest, ran)
                parts += runs * (rate * kept)
                rest -= runs
                if rest <= 0.0:
                    return max(parts, 0.0)
            room, most = room - ran, most - ran
            if most <= 0.0:
                most, rate = next(orders)
    return max(parts, 0.0)


def _thinned(horizon: Horizon, sums: Sequence[float]) -> Horizon:
    """``horizon`` where so many panels' worth of the next ``AHEAD`` panels are skipped, evenly in between."""
    steps: list[tuple[float, float]] = []
    orders = [*horizon.steps, (float("inf"), horizon.usage)]
    most, rate = orders.pop(0)
    panels, skipped = 0, 0.0
    kept = 1.0
    for ahead, sum_ahead in zip(AHEAD, sums, strict=True):
        room = float(ahead - panels)
        kept = 1.0 - (sum_ahead - skipped) / room
        panels, skipped = ahead, sum_ahead
        while room > 0.0:
            ran = min(room, most)
            if ran > 0.0:
                steps.append((ran, rate * kept))
            room, most = room - ran, most - ran
            if most <= 0.0:
                most, rate = orders.pop(0)
    if most < float("inf"):
        steps.append((most, rate * kept))
        steps += [(each, rate * kept) for each, rate in orders[:-1]]
    return Horizon(steps=tuple(steps), usage=horizon.usage * kept, taken=horizon.taken)
