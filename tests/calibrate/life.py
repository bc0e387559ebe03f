"""What is kept of one emptying: the forecasts at the book horizons, the first warning, the end."""

from __future__ import annotations

from dataclasses import dataclass, field

from tests.calibrate.supply import Floats, Ints, Supply

HORIZONS = (100, 50, 20, 10, 5)


@dataclass(slots=True)
class Asked:
    """Forecasts when the books first said ``horizon`` panels, after ``panel`` panels of the station.

    ``law`` is the program's P(X <= x) (``None``: it had none), the oracles' are samples, the others numbers.
    """

    horizon: int
    panel: int
    law: Floats | None
    oracle: Ints
    knowing: Ints
    naive: float
    average: float


@dataclass(slots=True)
class Life:
    """One or two supplies that feed the same placements from being loaded until all are empty.

    ``due`` are the horizons that the books have yet to come down to; ``warned`` is the panel of the first
    warning, ``apart`` says that it couldn't come earlier.
    """

    number: int
    supplies: list[Supply]
    due: list[int]
    asked: list[Asked] = field(default_factory=list)
    warned: int | None = None
    apart: bool = False
    ended: int | None = None

    @property
    def left(self) -> int:
        """Good placements that it will still give."""
        return sum(len(each.goods) - each.placed for each in self.supplies)

    def book(self, *, tells_losses: bool) -> int:
        used = sum(each.picked if tells_losses else each.placed for each in self.supplies)
        return sum(each.declared for each in self.supplies) - used
