"""What a person reads off the plan of a line: what to exchange together at which stop, and what meanwhile.

The plan comes as it is shown to programs, plain data with times as text; keys that nobody here goes by are
left alone.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

Seconds = Callable[[str], float]
"""Turns a time as text into the plant's seconds."""


@dataclass(frozen=True, slots=True)
class Turn:
    """One supply to exchange by ``due``, not before ``opens``: seconds, where the takt is known."""

    station: str
    slot: str
    part: str | None
    opens: float | None
    due: float | None


@dataclass(frozen=True, slots=True)
class PlannedHalt:
    """At the end of so many ``panels`` from now."""

    panels: int
    at: float
    turns: tuple[Turn, ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    halts: tuple[PlannedHalt, ...]
    meanwhile: tuple[Turn, ...]

    def names(self, station: str, slot: str) -> bool:
        """Whether the plan has a time for the slot."""
        turns = [*self.meanwhile, *(turn for halt in self.halts for turn in halt.turns)]
        return any((each.station, each.slot) == (station, slot) for each in turns if each.due is not None)


def read_sheet(plan: Mapping[str, Any], seconds: Seconds) -> Sheet:
    """Stops without a clock time are left out: nobody can be there in time for them."""
    halts = [
        PlannedHalt(each["panels"], seconds(each["at"]), _turns(each["exchanges"], seconds))
        for each in plan["stops"]
        if each["at"] is not None
    ]
    return Sheet(tuple(halts), _turns(plan["meanwhile"], seconds))


def _turns(of: Sequence[Mapping[str, Any]], seconds: Seconds) -> tuple[Turn, ...]:
    return tuple(
        Turn(
            each["station"],
            each["slot"],
            each["part"],
            None if each["from"] is None else seconds(each["from"]),
            None if each["by"] is None else seconds(each["by"]),
        )
        for each in of
    )
