"""Made-up supplies: what is said to be in one, what is in it, which picks of it fail.

The laws are ours, invented; the program never sees them. A supply is settled when it is made: each pick of it
succeeds or fails, so what it gives doesn't depend on who asks when.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

BLOCK = 20
"""Picks over which the chance of a loss stays as it is."""
MOST_LOSS = 0.5


@dataclass(frozen=True, kw_only=True)
class Label:
    """How what can be picked differs from what is said, in parts: a normal error (``relative`` of what is
    said where that is more), evenly up to ``waste`` parts at the end that can't be picked, and in a ``share``
    of the supplies an exponential shortage of ``tail`` parts on average. The last ``end`` parts are picked,
    and fail with the chance ``end_loss``."""

    mean: float = 0.0
    deviation: float = 0.0
    relative: float = 0.0
    waste: int = 0
    share: float = 0.0
    tail: float = 0.0
    end: int = 0
    end_loss: float = 0.0

    def draw(self, chance: np.random.Generator, declared: int, size: int) -> Ints:
        """The parts that are really in ``size`` supplies of which ``declared`` are said to be there."""
        error = chance.normal(self.mean, max(self.deviation, self.relative * declared), size)
        error -= chance.integers(0, self.waste + 1, size)
        error -= (chance.random(size) < self.share) * chance.exponential(self.tail, size)
        return np.maximum(np.rint(declared + error), 1.0).astype(np.int64)


@dataclass(frozen=True, kw_only=True)
class Loss:
    """The chance that a pick fails: ``mean`` times a factor of the slot times one of the supply (Gamma of
    mean 1 and these shapes). Over a supply it drifts to ``drift`` times that, or jumps: to ``jump`` times
    that with the chance ``up`` in each block, back with the chance ``down``."""

    mean: float
    slots: float = 4.0
    supplies: float = 20.0
    drift: float = 1.0
    jump: float = 1.0
    up: float = 0.0
    down: float = 0.0

    def of_slot(self, chance: np.random.Generator) -> float:
        return self.mean * chance.gamma(self.slots) / self.slots

    def of_supply(self, chance: np.random.Generator, of_slot: float) -> float:
        return min(of_slot * chance.gamma(self.supplies) / self.supplies, 0.2)

    def courses(
        self,
        chance: np.random.Generator,
        base: float,
        *,
        done: int,
        declared: int,
        blocks: int,
        high: bool,
        size: int,
    ) -> tuple[Floats, npt.NDArray[np.bool_]]:
        """``size`` courses: the chances in the coming blocks after ``done`` picks, and whether each is in the
        high state, (size, blocks); the first one is, or isn't, as ``high`` says."""
        states = np.zeros((size, blocks), dtype=bool)
        states[:, 0] = high
        if self.up:
            turns = chance.random((size, blocks))
            for block in range(1, blocks):
                before = states[:, block - 1]
                states[:, block] = np.where(before, turns[:, block] >= self.down, turns[:, block] < self.up)
        passed = (done + (np.arange(blocks) + 0.5) * BLOCK) / declared
        drifted = base * (1.0 + (self.drift - 1.0) * np.minimum(passed, 1.0))
        return np.minimum(np.where(states, self.jump, 1.0) * drifted, MOST_LOSS), states


@dataclass(frozen=True, kw_only=True)
class Sort:
    """A sort of supply as a slot gets it again and again: ``usage`` parts a board; ``partial`` is the share
    of them that was used before, with a law of its own."""

    part: str
    usage: int
    full: int
    label: Label
    loss: Loss
    kind: str = "tape"
    partial: float = 0.0
    partial_label: Label = Label(relative=0.04)


@dataclass(kw_only=True)
class Supply:
    """One supply: ``goods`` are the numbers of the picks that succeed; ``theta`` parts are left when a sensor
    says low. ``picked`` and ``placed`` so far; ``since_low``: picked when the sensor spoke,
    after ``low_step`` picks in that panel; ``out``: it was found empty."""

    sort: Sort
    label: Label
    declared: int
    real: int
    base: float
    high: npt.NDArray[np.bool_]
    goods: Ints
    theta: float = 0.0
    picked: int = 0
    placed: int = 0
    since_low: int | None = None
    low_step: int = 0
    out: bool = False

    @property
    def lost(self) -> int:
        return self.picked - self.placed

    @property
    def left(self) -> int:
        return self.real - self.picked

    @property
    def is_high(self) -> bool:
        """Whether losses are in their high state now."""
        return bool(self.high[min(self.picked // BLOCK, len(self.high) - 1)])

    def give(self, wanted: int) -> int:
        """Place so many parts, or fewer when it runs out; how many it placed."""
        placed = min(wanted, len(self.goods) - self.placed)
        self.placed += placed
        if placed < wanted:
            self.picked, self.out = self.real, True
        elif placed:
            self.picked = int(self.goods[self.placed - 1]) + 1
        return placed


def make(
    chance: np.random.Generator, sort: Sort, of_slot: float, *, label: Label, theta: tuple[float, float]
) -> Supply:
    """A new supply; ``label``: the law in force for full ones; ``theta``: its sensor's mean and deviation."""
    declared = sort.full
    if chance.random() < sort.partial:
        declared, label = max(20, round(sort.full * chance.uniform(0.04, 0.7))), sort.partial_label
    real = int(label.draw(chance, declared, 1)[0])
    base = sort.loss.of_supply(chance, of_slot)
    courses, high = sort.loss.courses(
        chance, base, done=0, declared=declared, blocks=real // BLOCK + 1, high=False, size=1
    )
    fails = np.repeat(courses[0], BLOCK)[:real]
    if label.end:
        fails[-label.end :] = np.maximum(fails[-label.end :], label.end_loss)
    goods = np.flatnonzero(chance.random(real) >= fails)
    return Supply(
        sort=sort,
        label=label,
        declared=declared,
        real=real,
        base=base,
        high=high[0],
        goods=goods,
        theta=float(chance.normal(*theta)),
    )
