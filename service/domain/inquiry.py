"""What is asked of a slot's supply, alone and side by side with others: what may be left in it, and the parts
that so many panels need of it.

Panels are turned into parts here and back; how likely there are enough is ``outlook``'s."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from service.domain.depletion import Floats, still_feeding
from service.domain.horizon import Ahead, Horizon, parts_needed

Ints = npt.NDArray[np.int64]

MOST = float(2**53 - 1)
"""What never empties, because nothing uses it any more, empties after so many panels."""


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
