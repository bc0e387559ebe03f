"""Emptyings ahead of a slot: of what is in it, and of the supplies that will come after it.

All in panels from now on, by what the orders ahead need of the slot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import floor

import numpy as np
from scipy.special import ndtr

from service.domain.horizon import Horizon, parts_needed
from service.domain.model import Spread, SupplyKind
from service.domain.plan import Terms, Window, window_of
from service.domain.sight import Sight
from service.domain.state import SlotState, StationState

_Z95 = 1.645
_STEP = 0.3
"""Deviation, in panels, of what is as good as certain."""
_HAIR = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class Supply:
    """What is in a slot that will be empty: ``left`` parts of ``full``. ``panels`` are those it will
    complete; ``gives``: good placements that a full one gives (``None``: not known); ``horizon`` what the
    coming panels need of it, ``needed`` how many the known orders still want. ``stops``: it can be exchanged
    between two panels only."""

    station: StationState
    slot: SlotState
    sight: Sight
    stops: bool
    left: float
    full: float | None
    panels: Spread[int]
    gives: Spread[float] | None
    horizon: Horizon
    needed: int | None

    @property
    def place(self) -> tuple[str, str]:
        return self.station.station, self.slot.name

    @property
    def is_joined(self) -> bool:
        """A new tape is spliced on; anything else takes the place of what is there."""
        return not self.stops and self.part[1] in (None, SupplyKind.TAPE)

    @property
    def part(self) -> tuple[str | None, str | None]:
        """Part and kind: what a fresh supply must be."""
        return self.sight.part, self.slot.kind or self.sight.rule.kind


@dataclass(frozen=True, slots=True, eq=False)
class Emptying:
    """The ``number``-th emptying of a slot from now on, after ``panels`` from now if nobody does anything
    about this one. ``parts``: what would be in the slot now if it had held this supply all the time.
    ``ready``: a supply for it stands at the line, else one can be there at boundary ``fetched``."""

    supply: Supply
    number: int
    panels: Spread[int]
    parts: float
    ready: bool = False
    fetched: int = 0

    def left_over(self, boundary: int) -> float:
        """The parts expected to be left at that boundary."""
        return max(0.0, self.parts - parts_needed(self.supply.horizon, boundary))

    def chance_before(self, boundaries: Sequence[int] | np.ndarray) -> np.ndarray:
        """P(it is empty before each of the boundaries): two halves of normal laws that have its quantiles."""
        middle = self.panels.p50
        below = max((middle - self.panels.p05) / _Z95, _STEP)
        above = max((self.panels.p95 - middle) / _Z95, _STEP)
        off = np.asarray(boundaries, dtype=np.float64) - 0.5 - middle
        return np.asarray(ndtr(np.where(off < 0.0, off / below, off / above)))

    def window(self, terms: Terms) -> Window[Emptying]:
        """From when on little enough is thrown away and the fresh supply is there, to the last safe one. A
        tape is joined, which throws nothing away: from when on people are warned of it."""
        supply = self.supply
        found = window_of(self, sure=self.panels.p05, left_at=self.left_over, full=supply.full, terms=terms)
        first = found.first
        if supply.is_joined:
            first = min(first, max(0, found.last - supply.sight.limits.lead_panels))
        return Window(self, min(max(first, self.fetched), found.last), found.last)

    def next(self, boundary: int) -> Emptying | None:
        """That of the supply that takes its place at ``boundary``; what can be joined is, so what was left of
        the one before is used first. ``None``: how much that is isn't known, or it lasts for the orders."""
        supply = self.supply
        here = parts_needed(supply.horizon, boundary)
        panels = self._another(*(self._used() if supply.is_joined else (here,) * 3))
        if panels is None or supply.full is None:
            return None
        if supply.needed is not None and panels.p50 >= supply.needed:
            return None
        return Emptying(
            supply, self.number + 1, panels, supply.full + (self.parts if supply.is_joined else here)
        )

    def left_alone(self) -> Emptying | None:
        """The one after it when its slot is refilled once it is empty."""
        panels = self._another(*self._used())
        if panels is None or panels.p50 <= self.panels.p50:
            return None
        return Emptying(self.supply, self.number + 1, panels, 0.0)

    def _used(self) -> tuple[float, float, float]:
        """Good placements until it is empty."""
        panels, horizon = self.panels, self.supply.horizon
        return (
            parts_needed(horizon, panels.p05),
            parts_needed(horizon, panels.p50),
            parts_needed(horizon, panels.p95),
        )

    def _another(self, low: float, middle: float, high: float) -> Spread[int] | None:
        """Until when another full supply lasts that begins after so many good placements."""
        gives, horizon = self.supply.gives, self.supply.horizon
        if gives is None:
            return None
        return Spread(
            panels_for(horizon, low + gives.p05),
            panels_for(horizon, middle + gives.p50),
            panels_for(horizon, high + gives.p95),
        )


def panels_for(horizon: Horizon, parts: float) -> int:
    """The most whole panels that so many good placements suffice for; the inverse of ``parts_needed``."""
    parts, panels = parts + horizon.taken + _HAIR, 0.0
    for most, rate in horizon.steps:
        ran = most if rate <= 0.0 else min(most, parts / rate)
        panels, parts = panels + ran, parts - ran * rate
        if ran < most:
            return floor(panels)
    return floor(panels + parts / horizon.usage)
