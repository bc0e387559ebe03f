"""Heartbeats of our own threads, and the watch over them: what stands still too long ends the process.

A thread that hangs (a peer that never answers, a deadlock) looks alive from outside; a supervisor can only
start anew what has ended. Knows nothing of what the threads do."""

from __future__ import annotations

import os
import sys
import threading
import time
import traceback
from collections.abc import Callable, Mapping

STUCK_AFTER = 60.0
"""Seconds. Every wait in the program is bounded to less than half of that."""
EXIT_CODE = 70
"""What ``sysexits.h`` calls an internal software error."""
_LAST_WORDS = 5.0
Say = Callable[..., None]


class Pulse:
    """When each thread last moved, by the monotonic clock. Safe from any thread."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._beats: dict[str, float] = {}

    def beat(self, name: str) -> None:
        self._beats[name] = self._clock()

    def beater(self, name: str) -> Callable[[], None]:
        """A beat to hand out; the first one counts from now, whether the thread ever comes alive or not."""
        self.beat(name)
        return lambda: self.beat(name)

    def forget(self, name: str) -> None:
        """It has ended as it should."""
        self._beats.pop(name, None)

    def ages(self) -> Mapping[str, float]:
        """Seconds since each thread last moved."""
        now = self._clock()
        return {name: now - at for name, at in list(self._beats.items())}

    def forgive(self) -> None:
        """All count as having moved just now: the whole process was held up, not one thread."""
        for name in list(self._beats):
            self.beat(name)


class Watchdog:
    """``run`` in a thread of its own: says which thread stands still, with all stacks, and ends us."""

    def __init__(
        self,
        pulse: Pulse,
        *,
        say: Say,
        stuck_after: float = STUCK_AFTER,
        end: Callable[[int], None] = os._exit,
    ) -> None:
        self._pulse = pulse
        self._say = say
        self._stuck_after = stuck_after
        self._every = min(1.0, stuck_after / 4)
        self._end = end
        self._stop = threading.Event()

    def stop(self) -> None:
        self._stop.set()

    def run(self) -> None:
        last = time.monotonic()
        while not self._stop.wait(self._every):
            now = time.monotonic()
            # Whoever held us up (a paused machine) held up the others too.
            if now - last > self._every + self._stuck_after / 2:
                self._pulse.forgive()
            last = now
            stuck = {name: age for name, age in self._pulse.ages().items() if age > self._stuck_after}
            if stuck:
                self._give_up(stuck)
                return

    def _give_up(self, stuck: Mapping[str, float]) -> None:
        # The log itself may be what everyone waits for.
        threading.Thread(target=self._tell, args=(stuck,), daemon=True).start()
        deadline = time.monotonic() + _LAST_WORDS
        while not self._stop.wait(0.05) and time.monotonic() < deadline:
            pass
        self._end(EXIT_CODE)

    def _tell(self, stuck: Mapping[str, float]) -> None:
        self._say("stuck", threads={name: round(age, 1) for name, age in stuck.items()}, stacks=stacks())
        self._stop.set()


def stacks() -> dict[str, str]:
    """What each thread is doing now."""
    names = {thread.ident: thread.name for thread in threading.enumerate()}
    return {
        names.get(ident, str(ident)): "".join(traceback.format_stack(frame))
        for ident, frame in sys._current_frames().items()  # noqa: SLF001 (there is no other way to see them)
    }
