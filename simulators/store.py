"""The store: new supplies of every part, and the begun ones that came back from the machines, oldest
first."""

from __future__ import annotations

import random
from collections import deque
from dataclasses import dataclass
from itertools import count

from simulators.plan import PartPlan


@dataclass(slots=True)
class Supply:
    """A reel or a stack of trays from where it is loaded; a spliced tape is one supply with what it was
    spliced to. ``short`` parts of its ``label`` were never there."""

    name: str
    part: PartPlan
    label: int
    short: int
    placed: int = 0
    lost: int = 0
    unseen: int = 0
    """Lost ones that the machine didn't count."""

    @property
    def left(self) -> int:
        """Parts that are really there."""
        return self.label - self.short - self.placed - self.lost

    @property
    def counted(self) -> int:
        """Parts that the machine believes are there."""
        return self.label - self.placed - self.lost + self.unseen

    def join(self, other: Supply) -> None:
        """Splice another tape on; the whole goes by the new one's name."""
        self.name = other.name
        self.label += other.label
        self.short += other.short


class Store:
    """A remnant below the share ``keeps`` of a full supply isn't kept for the machines."""

    def __init__(self, keeps: float) -> None:
        self._keeps = keeps
        self._begun: dict[str, deque[Supply]] = {}
        self._names = count(100_001)

    def fetch(self, part: PartPlan, shortness: random.Random) -> Supply:
        """A supply of the part: a begun one if there is any, else a new one, a few parts short of its
        label."""
        if begun := self._begun.get(part.part):
            return begun.popleft()
        return self.named(part, part.full, shortness)

    def named(self, part: PartPlan, label: int, shortness: random.Random) -> Supply:
        """A supply nobody has seen before."""
        short = min(label, shortness.randint(*part.short))
        return Supply(f"R{next(self._names)}", part, label, short)

    def is_kept(self, supply: Supply) -> bool:
        """Whether what is left of it is worth setting up again."""
        return supply.left > 0 and supply.counted >= self._keeps * supply.part.full

    def take_back(self, supply: Supply) -> None:
        """What is left comes again later under its name, labelled with what the machine believed was left."""
        if self.is_kept(supply):
            again = Supply(supply.name, supply.part, supply.counted, supply.counted - supply.left)
            self._begun.setdefault(supply.part.part, deque()).append(again)

    def put_back(self, supply: Supply) -> None:
        """Fetched, not needed after all: the next to be fetched."""
        self._begun.setdefault(supply.part.part, deque()).appendleft(supply)
