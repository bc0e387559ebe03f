"""Named points where a test may have this process end, stop or fail, to prove that nothing is lost there.

All are off, and cost a comparison, unless the command line arms one. Knows nothing of what passes through.
"""

from __future__ import annotations

import os
import threading

VARIABLE = "EARLYBELL_CRASH_AT"
"""The environment variable that the command line hands to ``arm``."""
ENDED = 137
"""The exit code: that of a process ended by ``kill -9``."""
HOWS = ("exit", "raise", "hang")


class Crashed(Exception):
    """The failure asked for by ``:raise``: an ordinary one, as a mistake in the program would raise."""


class _Armed:
    """One point and the pass at which it goes off, once, whichever thread comes by."""

    def __init__(self, name: str, number: int, how: str) -> None:
        self.name, self.how = name, how
        self._left = number
        self._lock = threading.Lock()

    def goes_off(self) -> bool:
        with self._lock:
            self._left -= 1
            return self._left == 0


_armed: _Armed | None = None


def arm(text: str | None) -> None:
    """From now on crash as ``text`` says; empty or absent: nowhere.

    ``before_send:2`` ends the process at its second pass through that point as ``kill -9`` does,
    ``before_send:2:raise`` raises ``Crashed`` instead, ``before_send:2:hang`` holds that thread there for
    ever. ``ValueError`` says how it is written.
    """
    global _armed  # noqa: PLW0603 (one process, one point)
    _armed = _read(text) if text else None


def point(name: str) -> None:
    """Go on, unless this pass is the one that was asked to crash."""
    if _armed is None or _armed.name != name or not _armed.goes_off():
        return
    if _armed.how == "raise":
        raise Crashed(name)
    if _armed.how == "hang":
        threading.Event().wait()
    os._exit(ENDED)


def _read(text: str) -> _Armed:
    name, number, how = (*text.split(":"), "exit")[:3] if text.count(":") in {1, 2} else ("", "", "")
    if not name or not (number.isascii() and number.isdigit()) or int(number) < 1 or how not in HOWS:
        raise ValueError(
            f"{VARIABLE}={text!r}: write name:n or name:n:how, n from 1, how one of {', '.join(HOWS)}"
        )
    return _Armed(name, int(number), how)
