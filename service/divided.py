"""How the floor is divided: settled at the start, and looked at again while the program runs.

Each instance goes by the division that it began with. Once another is registered it ends, and its supervisor
starts it with that one: no two ever count a line for longer than a look takes."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Sequence
from typing import Protocol

from service.domain.shards import Division, Shard
from service.ports import StoreError
from service.store import refuse_unregistered

LOOK_EVERY = 2.0
"""Seconds."""


class Registry(Protocol):
    def shards(self) -> Sequence[Shard]: ...


def divide(share: Shard | None, registry: Registry) -> Division | None:
    """The division as it is registered; ``None``: there is one instance. Raises ``StoreRevisionError``."""
    shards = registry.shards()
    refuse_unregistered(share, shards)
    return None if share is None else Division(share, shards)


class Watch:
    """``run`` in a thread of its own; calls ``changed`` with the reason, once."""

    def __init__(
        self,
        registry: Registry,
        division: Division | None,
        *,
        changed: Callable[[str], None],
        beat: Callable[[], None],
        every: float = LOOK_EVERY,
    ) -> None:
        self._registry = registry
        self._known = [] if division is None else list(division.shards)
        self._changed = changed
        self._beat = beat
        self._every = every
        self._stop = threading.Event()

    def run(self) -> None:
        while not self._stop.wait(self._every):
            self._beat()
            with contextlib.suppress(StoreError):  # as long as it is away nothing can be registered
                if list(self._registry.shards()) != self._known:
                    self._changed("the floor is divided otherwise now: start again")
                    return

    def stop(self) -> None:
        self._stop.set()
