"""What the delivery loop reports of its work, for log and metrics."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Outcome = Literal["sent", "waiting", "dead", "replaced", "put off", "lost"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """How one attempt ended, for log and metrics.

    ``put off``: not tried, the loop was being stopped. ``replaced``: not tried, it was over before it was
    told. ``lost``: its end could not be written, so it comes again. ``seconds`` is what sending took, ``age``
    the time since the change was committed; ``disables``: the outlet takes nothing more until the program is
    started or a delivery is sent again."""

    outlet: str
    key: str
    notice: str
    attempts: int
    outcome: Outcome
    seconds: float
    age: float
    error: str | None = None
    disables: bool = False


@dataclass(frozen=True, slots=True)
class StoreTrouble:
    """The outbox can't be reached (``error`` says why), or can again (``None``); once for each outage."""

    error: str | None
