"""Forecasts of one who knows more than the program can: the laws that the supplies are made by.

Both know how likely a pick fails now and how that changes. A knows of the quantity only its law, and that the
supply still feeds (and what its sensor says); B knows the quantity. Neither knows the future. A forecast is a
sample of what may come; R parts that each succeed or fail give G good placements, whatever the panels.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from tests.calibrate.scenario import Scenario
from tests.calibrate.supply import BLOCK, Ints, Supply

SIZE = 1000
_PATHS = 400


@dataclass(slots=True)
class Oracle:
    scenario: Scenario
    chance: np.random.Generator
    paths: dict[bool, Ints] = field(default_factory=dict)
    """Boards until so many panels are complete, (SIZE, panels), by whether a bad batch runs now."""

    def panels(self, supplies: list[Supply], usage: int, *, bad: bool, knows: bool) -> Ints:
        """A sample of the panels to empty, (SIZE,); ``knows`` the quantity (B) or not (A)."""
        goods = np.zeros(SIZE, dtype=np.int64)
        for supply in supplies:
            if not supply.out:
                left = np.full(SIZE, supply.left) if knows else self._left(supply)
                goods += self._goods(supply, left)
        if self.scenario.skips is None:
            return goods // (usage * self.scenario.boards)
        if bad not in self.paths:
            self.paths[bad] = self.boards(bad=bad)
        return (self.paths[bad] * usage <= goods[:, None]).sum(axis=1)

    def _left(self, supply: Supply) -> Ints:
        """What may be left, by the law of the quantity and that it isn't empty."""
        for size in (4 * SIZE, 30 * SIZE, 240 * SIZE):
            picked = np.full(size, supply.placed)
            if self.scenario.tells_losses:
                picked += supply.lost
            elif supply.placed:
                picked += self.chance.negative_binomial(supply.placed, 1.0 - supply.base, size)
            left = supply.label.draw(self.chance, supply.declared, size) - picked
            left = left[left >= 0]
            if self.scenario.sensor is not None:
                left = self._sensed(supply, left, self.scenario.sensor)
            if len(left) >= SIZE:
                return left[:SIZE]
        return self.chance.choice(left, SIZE) if len(left) else np.ones(SIZE, dtype=np.int64)

    def _sensed(self, supply: Supply, left: Ints, sensor: tuple[float, float]) -> Ints:
        """Those that fit what the sensor says: silent, or so many parts ago it saw the first panel end with
        no more than its threshold."""
        threshold = self.chance.normal(*sensor, len(left))
        if supply.since_low is None:
            return left[left > threshold]
        then = left + supply.picked - supply.since_low
        return left[(then <= threshold) & (then + supply.low_step > threshold)]

    def _goods(self, supply: Supply, left: Ints) -> Ints:
        end = np.minimum(left, supply.label.end)
        plain = left - end
        loss = supply.sort.loss
        if loss.drift == 1.0 and not loss.up:
            goods = self.chance.binomial(plain, 1.0 - supply.base)
        else:
            blocks = int(plain.max()) // BLOCK + 1
            courses, _ = loss.courses(
                self.chance,
                supply.base,
                done=supply.picked,
                declared=supply.declared,
                blocks=blocks,
                high=supply.is_high,
                size=SIZE if loss.up else 1,
            )
            trials = np.clip(plain[:, None] - BLOCK * np.arange(blocks), 0, BLOCK)
            goods = self.chance.binomial(trials, 1.0 - courses).sum(axis=1)
        if supply.label.end:
            goods = goods + self.chance.binomial(end, 1.0 - max(supply.base, supply.label.end_loss))
        return goods

    def boards(self, *, bad: bool) -> Ints:
        """Boards until so many panels are complete, by the law of the skips, (SIZE, panels)."""
        skips = self.scenario.skips
        assert skips is not None
        now = np.full(SIZE, bad)
        boards = np.empty((SIZE, _PATHS), dtype=np.int64)
        for panel in range(_PATHS):
            turns = self.chance.random(SIZE)
            now = np.where(now, turns >= skips.ends, turns < skips.begins)
            share = np.where(now, skips.bad, skips.calm)
            boards[:, panel] = self.scenario.boards - self.chance.binomial(self.scenario.boards, share)
        return np.cumsum(boards, axis=1)
