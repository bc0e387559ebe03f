"""Whether what is in a slot lasts for the orders ahead, and how many parts are missing if it doesn't.

Of slots that feed the same placements together. Only where the known orders limit what is needed; it doesn't
decide what people are told of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate
from math import ceil

import numpy as np

from service.domain.depletion import CRUMB, expected_left
from service.domain.inquiry import Questions
from service.domain.judge import Case
from service.domain.model import Shortfall
from service.domain.outlook import chances_due
from service.domain.state import LineState

Orders = tuple[str | None, ...]


def orders_ahead(line: LineState) -> Orders:
    """The running order (``None``: none runs) and the queued ones, in the order in which they will run."""
    return line.running, *(order.name for order in line.orders.values() if order.state == "queued")


def shortfalls(
    cases: Sequence[Case], panels: Sequence[int], orders: Sequence[Orders]
) -> list[Shortfall | None]:
    """Of each case; ``panels``: its median of the panels to empty, ``orders``: those of its line. ``None``
    where nothing limits what is needed.

    Missing is what the orders need and will lose, by the believed odds, less the expected parts left.
    """
    found: list[Shortfall | None] = [None] * len(cases)
    rows = [row for row, case in enumerate(cases) if case.needed is not None]
    if not rows:
        return found
    questions = Questions.of([cases[row].question for row in rows])
    needed = np.array([cases[row].needed for row in rows], dtype=np.float64)
    left = expected_left(
        questions.left, questions.weight, questions.feeding, questions.a, questions.b, questions.blind
    )
    missing = questions.parts_needed(needed).mean(axis=1) * (1.0 + questions.a / questions.b) - left
    chances = chances_due(questions, np.full(len(rows), np.inf), needed)
    for row, parts, chance in zip(rows, missing.tolist(), chances.tolist(), strict=True):
        case = cases[row]
        found[row] = Shortfall(
            parts=max(0, ceil(parts - CRUMB)),
            chance=chance,
            order=_first_short(case, panels[row], orders[row]),
            panels=case.needed or 0,
        )
    return found


def _first_short(case: Case, panels: int, orders: Orders) -> str | None:
    """The first order that so many panels don't complete."""
    ends = accumulate(int(most) for most, _ in case.question.horizon.steps)
    return next((name for name, end in zip(orders, ends, strict=False) if panels < end), None)
