"""What an instance that stands by shows: a copy of what is committed, as fresh as a second, and what changed.

Reads everything anew when the journal has grown, with a bounded share of the time: nothing marks which states
a commit changed, and comparing bytes finds it out. Changes nothing in the store."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Mapping

from service.domain.model import Change
from service.domain.notices import Told
from service.lease import Followed
from service.ports import StoreError
from service.usecases.batch import Committed

EVERY = 0.5
SHARE = 0.1
"""Of the time, at most this much goes into reading while counts keep coming."""
LONGEST_PAUSE = 10.0
STAYS = "stays/"
"""A state for each slot that nothing here is shown from: whoever takes over reads them then."""


class Follower:
    """``committed`` is kept as the store has it, in place. ``tell`` hears what changed. ``refresh`` from any
    thread, ``run`` in one of its own until ``stop``, which returns when nothing is changed here any more.
    ``share``: of the time, that reading may take."""

    def __init__(
        self,
        *,
        followed: Followed,
        committed: dict[str, bytes],
        tell: Callable[[Committed], None],
        beat: Callable[[], None] = lambda: None,
        share: float = SHARE,
    ) -> None:
        self._followed = followed
        self._committed = committed
        self._tell = tell
        self._beat = beat
        self._share = share
        self._position: int | None = None
        self._open: Mapping[str, int] = {}
        self._lock = threading.Lock()
        self._stop = threading.Event()

    def run(self) -> None:
        while not self._stop.is_set():
            self._beat()
            began = time.monotonic()
            with contextlib.suppress(StoreError):  # shown as it was; that the store is away is said elsewhere
                self.refresh()
            spent = time.monotonic() - began
            self._stop.wait(pause_after(spent, self._share))

    def stop(self) -> None:
        self._stop.set()
        with self._lock:
            return

    def refresh(self) -> None:
        """Read what is committed now. ``StoreError``."""
        with self._lock:
            if self._stop.is_set():
                return
            position = self._followed.position()
            if position == self._position:
                return
            keys = self._take_over(self._followed.states("", but=STAYS))
            told = self._notices()
            first, self._position = self._position is None, position
        if not first:
            self._tell(Committed(keys, told, {}, {}))

    def _take_over(self, states: Mapping[str, bytes]) -> frozenset[str]:
        changed = {key for key, data in states.items() if self._committed.get(key) != data}
        gone = self._committed.keys() - states.keys()
        for key in changed:
            self._committed[key] = states[key]
        for key in gone:
            del self._committed[key]
        return frozenset(changed | gone)

    def _notices(self) -> list[Told]:
        """Those that are new, changed or closed since the last look."""
        before, self._open = self._open, self._followed.open_notices()
        if self._position is None:
            return []
        ids = {each for each, version in self._open.items() if before.get(each) != version}
        found = [self._followed.notice(each) for each in sorted(ids | (before.keys() - self._open.keys()))]
        return [Told(notice, Change.CHANGED) for notice in found if notice is not None]


def pause_after(spent: float, share: float) -> float:
    """Seconds, so that reading takes no more than its ``share`` of the time."""
    return min(max(EVERY, spent * (1 / share - 1)), LONGEST_PAUSE)
