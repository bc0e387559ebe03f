"""Which picks of a slot are lost: odds that wander slowly, and jump while a nozzle is worn.

Goes by panels and picks, not by the clock: the n-th pick of a slot has the same fate whatever people do.
"""

from __future__ import annotations

import math

from simulators.plan import WearPlan
from simulators.streams import Streams


class Losses:
    """``takt`` turns the minutes until a worn nozzle is cleaned into panels."""

    def __init__(self, wear: WearPlan, takt: float, streams: Streams) -> None:
        self._wear = wear
        self._takt = takt
        self._step = wear.drift / math.sqrt(1000)
        self._wander = streams.of("drift")
        self._nozzle = streams.of("wear")
        self._pick = streams.of("losses").random
        self._unseen = streams.of("unseen").random
        self._drifted = 0.0
        self._worn_for = 0
        self._factor = 1.0

    def next_panel(self) -> None:
        if self._step:
            self._drifted += self._wander.gauss(0.0, self._step)
        if self._worn_for:
            self._worn_for -= 1
        elif self._wear.worn and self._nozzle.random() < self._wear.worn:
            self._factor = self._nozzle.uniform(*self._wear.factor)
            self._worn_for = round(self._nozzle.uniform(*self._wear.minutes) * 60 / self._takt)

    def chance(self, usual: float) -> float:
        """Of one pick now, where ``usual`` is the part's."""
        if not 0 < usual < 1:
            return usual
        odds = usual / (1 - usual) * math.exp(self._drifted) * (self._factor if self._worn_for else 1.0)
        return odds / (1 + odds)

    def pick(self, need: int, left: int, usual: float) -> tuple[int, int, int]:
        """How many of ``need`` are placed from ``left``, how many are lost on the way, and how many of those
        the machine doesn't count."""
        chance, pick = self.chance(usual), self._pick
        placed = lost = 0
        while placed < need and placed + lost < left:
            if pick() < chance:
                lost += 1
            else:
                placed += 1
        return placed, lost, sum(self._unseen() < self._wear.unseen for _ in range(lost))
