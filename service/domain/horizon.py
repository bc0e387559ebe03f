"""What the coming panels need of a supply: panels into parts."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Horizon:
    """What the coming panels need: ``steps`` of (panels, parts per panel) for the running and the queued
    orders, ``usage`` per panel after them; ``taken``: parts the panel in work has already got. None < 0."""

    steps: tuple[tuple[float, float], ...] = ()
    usage: float
    taken: float = 0.0


def parts_needed(horizon: Horizon, panels: float) -> float:
    """Good placements until ``panels`` more panels are complete, the one in work being the first."""
    parts = -horizon.taken
    for most, rate in horizon.steps:
        ran = min(panels, most)
        parts += ran * rate
        panels -= ran
    return max(parts + panels * horizon.usage, 0.0)


class Ahead(Sequence[Horizon]):
    """Ways that know what the next panels need before they are worked out."""

    __slots__ = ()

    @abstractmethod
    def parts_needed(self, panels: float) -> Sequence[float]:
        """Of so many panels, on each of them, to the same last bit."""
