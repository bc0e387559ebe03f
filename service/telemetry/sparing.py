"""What may come without bound, said within bounds: a flood of bad messages mustn't flood the log."""

from __future__ import annotations

from collections.abc import Callable
from threading import Lock
from typing import Any

MOST = 10
"""Different things said in one window."""
WINDOW = 60.0
"""Seconds."""


class Sparing:
    """Says each thing when it first comes, its repeats once at the end of the window, and of what is too
    much only how much it was. Safe from any thread; ``now`` is monotonic, in seconds.

    At most ``2 × MOST + 1`` lines a window, whatever comes.
    """

    def __init__(self, say: Callable[..., Any], word: str, word_for_more: str) -> None:
        """``say`` is called with a word and the fields; a repeat has ``times``, so has the word for more."""
        self._say, self._word, self._word_for_more = say, word, word_for_more
        self._repeats: dict[tuple[tuple[str, Any], ...], int] = {}
        self._more = 0
        self._since = float("-inf")
        self._lock = Lock()

    def note(self, now: float, **fields: Any) -> None:
        """It came once."""
        with self._lock:
            self._end(now)
            key = tuple(fields.items())
            if key in self._repeats:
                self._repeats[key] += 1
            elif len(self._repeats) < MOST:
                self._repeats[key] = 0
                self._say(self._word, **fields, times=1)
            else:
                self._more += 1

    def look(self, now: float) -> None:
        """Say what was left unsaid in a window that is over."""
        with self._lock:
            self._end(now)

    def _end(self, now: float) -> None:
        if now - self._since < WINDOW:
            return
        for key, times in self._repeats.items():
            if times:
                self._say(self._word, **dict(key), times=times)
        if self._more:
            self._say(self._word_for_more, times=self._more)
        self._repeats, self._more, self._since = {}, 0, now
