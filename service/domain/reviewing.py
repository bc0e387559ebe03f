"""What a review reckons with, as configured: what each cause of a stop counts as in the published ways of
dividing time, which stations make a line, and when a loss is more than chance.

The states are those of SEMI E10 as public texts repeat them (OPC 40100, OPC 40001-1 Annex C), the times those
of ISO 22400-2. Which cause belongs where is a plant's decision; what stands here is where to begin.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Literal

import msgspec


class E10(StrEnum):
    """The six basic states; each moment of a station is in one of them."""

    PRODUCTIVE = "productive"
    STANDBY = "standby"
    ENGINEERING = "engineering"
    SCHEDULED = "scheduled downtime"
    UNSCHEDULED = "unscheduled downtime"
    NON_SCHEDULED = "non-scheduled"


class Time(StrEnum):
    """Where a moment counts by ISO 22400-2: actual production time (APT), actual unit set-up time (AUST),
    actual unit delay time (ADET), actual unit down time (ADOT), or outside the planned busy time (PBT)."""

    PRODUCTION = "production"
    SET_UP = "set-up"
    DELAY = "delay"
    DOWN = "down"
    PLANNED_DOWN = "planned down"


FailureCount = Literal["classical", "plus one"]
"""By what MTBF and MTTR are divided: the failures, or one more, as ISO 22400-2 has it (from memory)."""


class CauseRule(msgspec.Struct, frozen=True, kw_only=True):
    """What a cause of a stop (``track.Cause``) counts as; line and station are patterns. ``None``: as for any
    other place."""

    cause: str
    e10: E10 | None = None
    time: Time | None = None
    line: str | None = None
    station: str | None = None


class TaktRule(msgspec.Struct, frozen=True, kw_only=True):
    """The shortest time in which a panel can be made; names are patterns."""

    seconds: float
    line: str | None = None
    station: str | None = None
    recipe: str | None = None


class LineOrder(msgspec.Struct, frozen=True, kw_only=True):
    """The stations of a line as panels pass them, first upstream; ``line`` is a name."""

    line: str
    stations: tuple[str, ...]


class ReviewRules(msgspec.Struct, frozen=True, kw_only=True):
    """``failures``: the causes that are failures for MTBF and MTTR. ``engineering``: patterns of recipes that
    are trials. ``ewma_weight``: of the latest value. Control limits lie ``limit_sigmas`` from the middle.
    ``false_changes``: the chance that a review names a change where no slot has one."""

    causes: tuple[CauseRule, ...] = ()
    failures: tuple[str, ...] = ("fault",)
    failure_count: FailureCount = "classical"
    takts: tuple[TaktRule, ...] = ()
    engineering: tuple[str, ...] = ()
    orders: tuple[LineOrder, ...] = ()
    ewma_weight: float = 0.2
    limit_sigmas: float = 3.0
    false_changes: float = 0.05

    def stations_of(self, line: str) -> tuple[str, ...]:
        """The configured order; empty where none is."""
        return next((each.stations for each in self.orders if each.line == line), ())
