"""What was promised beside what was measured."""

from __future__ import annotations

from dataclasses import dataclass

from tests.calibrate.metrics import at_most, coverage
from tests.calibrate.scenario import Bounds
from tests.calibrate.score import Score, shortage

LEARNING = ("1 to 30 after", "31 to 100 after")
"""Parts of a scenario in which a law has just changed: nothing is promised for them."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """``value`` of ``what`` against ``limit``; ``missed`` by so much, 0 where it is kept."""

    what: str
    value: float
    limit: str
    missed: float

    @property
    def word(self) -> str:
        return "PASS" if self.missed <= 0.0 else f"MISSED by {self.missed:.3f}"


def verdicts(score: Score, bounds: Bounds) -> list[Verdict]:
    ours = score.mean_crps("earlybell")
    low, high = bounds.inside
    inside = coverage(score.all_pits())
    short, excess = shortage(score.given)
    found = [
        _most("CRPS / oracle A", ours / score.mean_crps("oracle A"), bounds.oracle),
        _most("CRPS / naive", ours / score.mean_crps("naive"), bounds.naive),
        Verdict("inside 90 %", inside, f"{low:.2f} to {high:.2f}", max(low - inside, inside - high, 0.0)),
    ]
    if bounds.short is not None:
        found.append(_most("short, 99 % bound", at_most(short, len(score.given)), bounds.short))
    if bounds.excess is not None:
        found.append(_most("panels beyond the lead", excess, bounds.excess))
    return found


def _most(what: str, value: float, limit: float) -> Verdict:
    return Verdict(what, value, f"<= {limit:.2f}", max(value - limit, 0.0))
