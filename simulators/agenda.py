"""What is going to happen next in a plant, and what was said about it: the simulated clock that all its parts
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
        self._said: list[tuple[str, Event]] = []

    @property
    def next_at(self) -> float:
        return self._ahead[0][0] if self._ahead else float("inf")

    def at(self, when: float, happen: Callable[[], None]) -> None:
        heapq.heappush(self._ahead, (when, next(self._ticket), happen))

    def after(self, seconds: float, happen: Callable[[], None]) -> None:
        self.at(self.now + seconds, happen)

    def say(self, line: str, event: Event) -> None:
        self._said.append((line, event))

    def said(self) -> list[tuple[str, Event]]:
        """What was said since the last call, with the line that it is about."""
        said, self._said = self._said, []
        return said

    def advance(self, to: float) -> list[tuple[str, Event]]:
        """Let everything up to and including ``to`` happen."""
        while self._ahead and self._ahead[0][0] <= to:
            self.now, _, happen = heapq.heappop(self._ahead)
            happen()
        self.now = max(self.now, to)
        return self.said()


class Voice:
    """The plant's agenda as one line has it: what is said here is said of that line."""

    def __init__(self, agenda: Agenda, line: str) -> None:
        self.at = agenda.at
        self.after = agenda.after
        self._agenda = agenda
        self._line = line

    @property
    def now(self) -> float:
        return self._agenda.now

    def say(self, event: Event) -> None:
        self._agenda.say(self._line, event)
