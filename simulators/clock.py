"""Which moment a message of a simulated line shows.

At a speed other than 1 the messages are stamped as if the line really were that fast: line second ``s``
happens at start + ``s`` / speed on the wall clock. So ``at`` is never ahead of anyone's clock and a takt of
17 s at speed 10 is a takt of 1.7 s. With ``clock="line"`` they carry the line's own time instead, for a
service that takes its time from the messages.
"""

from __future__ import annotations

import math
import time
from datetime import UTC, datetime, timedelta
from typing import Literal

from simulators.messages import rfc3339


class LineClock:
    """The line's seconds by the wall clock. ``speed`` may be infinite: as fast as the broker takes it."""

    def __init__(self, speed: float, shows: Literal["wall", "line"], start: datetime) -> None:
        self.speed = speed
        self._shows = shows
        self._start = start
        self._begun = time.monotonic()

    def begin(self) -> None:
        """The line's first second is now; where messages show the line's own time, that one stays."""
        self._begun = time.monotonic()
        if self._shows == "wall":
            self._start = datetime.now(UTC)

    def now(self) -> float:
        return (time.monotonic() - self._begun) * self.speed

    def elapsed(self) -> float:
        return time.monotonic() - self._begun

    def stamp(self, line_seconds: float) -> str:
        if self._shows == "line":
            return rfc3339(self._start + timedelta(seconds=line_seconds))
        if math.isinf(self.speed):
            return rfc3339(datetime.now(UTC))
        return rfc3339(self._start + timedelta(seconds=line_seconds / self.speed))
