"""How panels get from one station to the next: a place to take them from, a place to put them, a short
belt."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol


class Source(Protocol):
    def ready(self) -> bool: ...

    def take(self) -> None:
        """Take one panel; only when ``ready``."""
        ...


class Sink(Protocol):
    def room(self) -> bool: ...

    def put(self) -> None:
        """Hand over one panel; only when there is ``room``."""
        ...


class Belt:
    """Room for a few panels between two stations. Taking one may free the station before; a put may wake the
    one after."""

    def __init__(self, room: int) -> None:
        self.panels = 0
        self._room = room
        self.on_take: Callable[[], None] = lambda: None
        self.on_put: Callable[[], None] = lambda: None

    def ready(self) -> bool:
        return self.panels > 0

    def take(self) -> None:
        self.panels -= 1
        self.on_take()

    def room(self) -> bool:
        return self.panels < self._room

    def put(self) -> None:
        self.panels += 1
        self.on_put()
