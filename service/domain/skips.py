"""Boards that a panel brings along but that get no parts: how many of the coming placements are skipped.

A skip is a property of the panel, so it is learned for each station, not for each slot: the share of the
placements that each of the last panels skipped. Skipping comes in spells (a bad batch of boards), so what
follows is taken from the station's own past at moments like this one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from statistics import median

import numpy as np

from service.domain.outlook import Horizon

MOST_PANELS = 2400
"""Panels that are remembered, once one was skipped."""
AHEAD = (1, 2, 5, 10, 20, 50, 100, 150)
PATHS = 7
SPELL, LATELY = 0.10, 6
"""It skips now if more than this share was skipped in so many panels."""
_FEWEST = 20
"""Moments of the past that are enough to go by."""


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


def paths(horizon: Horizon, known: bytes) -> tuple[Horizon, ...]:
    """What the coming panels may need, on ways of equal chance; none where nothing was skipped lately."""
    if not any(known):
        return ()
    return tuple(_thinned(horizon, sums) for sums in _sums(known).tolist())


@lru_cache(maxsize=1024)
def _sums(known: bytes) -> np.ndarray:
    """Skipped panels' worth in the next ``AHEAD`` panels, quantiles of the past, (PATHS, len(AHEAD))."""
    past = np.frombuffer(known, dtype=np.uint8) / 255.0
    total = np.concatenate(([0.0], np.cumsum(past)))
    found = np.zeros((PATHS, len(AHEAD)))
    middles = (np.arange(PATHS) + 0.5) / PATHS
    for place, panels in enumerate(AHEAD):
        starts = np.arange(len(past) - panels + 1)
        if len(starts) < _FEWEST and place:
            found[:, place] = found[:, place - 1] * panels / AHEAD[place - 1]
            continue
        before = np.maximum(starts - LATELY, 0)
        spells = (total[starts] - total[before]) / np.maximum(starts - before, 1) > SPELL
        now = past[-LATELY:].mean() > SPELL
        alike = starts[spells == now]
        alike = alike if len(alike) >= _FEWEST else starts
        found[:, place] = np.quantile(total[alike + panels] - total[alike], middles)
    found = np.minimum(np.maximum.accumulate(found, axis=1), np.array(AHEAD))
    for place in range(1, len(AHEAD)):
        most = found[:, place - 1] + AHEAD[place] - AHEAD[place - 1]
        found[:, place] = np.minimum(found[:, place], most)
    return np.asarray(found)


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
