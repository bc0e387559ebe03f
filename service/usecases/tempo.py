"""Which moment of a recording it is while it is played: at a speed that may change, paused, on to a later
moment. Safe from any thread."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable

from service.domain.model import SECOND, Instant

FASTEST = math.inf
"""As fast as it goes."""


class Tempo:
    """``steady``: seconds of a clock that nobody sets."""

    def __init__(self, begin: Instant, *, speed: float, steady: Callable[[], float]) -> None:
        self.speed = speed
        self.paused = False
        self._steady = steady
        self._from: float = begin
        self._since = steady()
        self._goal: Instant | None = None
        self._changed = threading.Condition()
        self._ended = False

    def due(self) -> float:
        """Up to which moment all may be played by now; infinite at the highest speed."""
        with self._changed:
            return self._due()

    def moment(self, last: Instant, ahead: Instant | None) -> Instant:
        """Which moment it is once ``last`` was played: short of ``ahead``, when the next entry is."""
        return last if ahead is None else max(last, int(min(self.due(), ahead - 1)))

    def wait(self, at: Instant, most: float) -> bool:
        """Until that moment is due, for ``most`` seconds at most; whether it is. Changes of tempo count at
        once."""
        with self._changed:
            if at > self._due() and not self._ended:
                left = (at - self._due()) / SECOND / self.speed if self._runs() else most
                self._changed.wait(max(0.0, min(left, most)))
            return at <= self._due()

    def reached(self) -> None:
        """All that was due has been played. After a leap time goes on from there only now."""
        with self._changed:
            if self._goal is not None:
                self._from, self._since, self._goal = self._goal, self._steady(), None

    def steer(
        self,
        now: Instant,
        *,
        speed: float | None = None,
        paused: bool | None = None,
        to: Instant | None = None,
    ) -> None:
        """``now``: the moment it is. ``to``: a later one, to which it leaps as fast as it goes."""
        with self._changed:
            self._from, self._since = min(self._due(), now), self._steady()
            self.speed = self.speed if speed is None else speed
            self.paused = self.paused if paused is None else paused
            if to is not None:
                self._goal = max(to, now)
            self._changed.notify_all()

    def end(self) -> None:
        """Whoever waits waits no longer."""
        with self._changed:
            self._ended = True
            self._changed.notify_all()

    @property
    def ended(self) -> bool:
        return self._ended

    def _runs(self) -> bool:
        return not self.paused and self._goal is None and self.speed < FASTEST

    def _due(self) -> float:
        if self._goal is not None:
            return self._goal
        if self.paused:
            return self._from
        if self.speed == FASTEST:
            return FASTEST
        return self._from + (self._steady() - self._since) * self.speed * SECOND
