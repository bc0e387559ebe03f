"""How panels get from one place of a line to the next: a place to take them from, a place to put them, a
short belt."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from simulators.events import Cause


@dataclass(frozen=True, slots=True)
class Panel:
    """One carrier of ``boards``; the ``bad`` ones among them are skipped by every station."""

    number: int
    boards: int
    bad: int = 0

    def share(self, parts: int) -> int:
        """How many of a whole panel's parts this one gets; one begun board needs its part."""
        return parts if not self.bad else -(-parts * (self.boards - self.bad) // self.boards)


class Source(Protocol):
    @property
    def lacking(self) -> Cause:
        """Why there is nothing to take, when there isn't."""
        ...

    def ready(self) -> bool: ...

    def take(self) -> Panel:
        """Take one panel; only when ``ready``."""
        ...


class Sink(Protocol):
    def room(self) -> bool: ...

    def put(self, panel: Panel) -> None:
        """Hand over one panel; only when there is ``room``."""
        ...


class Belt:
    """Room for a few panels between two stations. Taking one may free the station before; a put may wake the
    one after."""

    lacking: Cause = "starved"

    def __init__(self, room: int) -> None:
        self._panels: deque[Panel] = deque()
        self._room = room
        self.on_take: Callable[[], None] = lambda: None
        self.on_put: Callable[[], None] = lambda: None

    def ready(self) -> bool:
        return bool(self._panels)

    def take(self) -> Panel:
        panel = self._panels.popleft()
        self.on_take()
        return panel

    def room(self) -> bool:
        return len(self._panels) < self._room

    def put(self, panel: Panel) -> None:
        self._panels.append(panel)
        self.on_put()
