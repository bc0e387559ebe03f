"""What is going to happen next, and what was said about it: the simulated clock that the line's parts
share."""

from __future__ import annotations

import heapq
from collections.abc import Callable
from itertools import count

from simulators.events import Event


class Agenda:
    """Happenings in order of time, equal times in the order they were put down."""

    def __init__(self) -> None:
        self.now = 0.0
        self._ahead: list[tuple[float, int, Callable[[], None]]] = []
        self._ticket = count()
        self._said: list[Event] = []

    @property
    def next_at(self) -> float:
        return self._ahead[0][0] if self._ahead else float("inf")

    def at(self, when: float, happen: Callable[[], None]) -> None:
        heapq.heappush(self._ahead, (when, next(self._ticket), happen))

    def after(self, seconds: float, happen: Callable[[], None]) -> None:
        self.at(self.now + seconds, happen)

    def say(self, event: Event) -> None:
        self._said.append(event)

    def said(self) -> list[Event]:
        """What was said since the last call."""
        said, self._said = self._said, []
        return said

    def advance(self, to: float) -> list[Event]:
        """Let everything up to and including ``to`` happen."""
        while self._ahead and self._ahead[0][0] <= to:
            self.now, _, happen = heapq.heappop(self._ahead)
            happen()
        self.now = max(self.now, to)
        return self.said()
