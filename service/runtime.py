"""How the interpreter is set for a program that must answer soon and run for months: when it looks for
garbage, how long one thread keeps another waiting, and where memory comes from.

A look through everything that lives stops all threads, for half a second where a million things are known,
and finds next to nothing: what is known stays."""

from __future__ import annotations

import ctypes
import gc
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

SWITCH = 0.001
"""Seconds after which a thread that works gives way, a fifth of what is usual: a warning passes from thread
to thread, and waits at each for the ones that plan and publish."""
_THRESHOLDS = 10_000, 20, 50
"""Of the three generations. A batch of counts makes thousands of objects that live as long as it does."""
_ARENA_MAX = -8
"""``M_ARENA_MAX`` of glibc's ``mallopt(3)``."""


def be_sparing(environment: Mapping[str, str]) -> None:
    """Before the first thread begins: all threads share two arenas of glibc's heap. On two cores it would
    make sixteen for twenty threads, each with holes of its own. Who sets ``MALLOC_ARENA_MAX`` decides."""
    mallopt = getattr(ctypes.CDLL(None), "mallopt", None)
    if mallopt is not None and "MALLOC_ARENA_MAX" not in environment:
        mallopt(_ARENA_MAX, 2)


def be_prompt() -> None:
    """For the whole process, once all of the program is imported."""
    sys.setswitchinterval(SWITCH)
    gc.set_threshold(*_THRESHOLDS)
    gc.freeze()


@contextmanager
def loading() -> Iterator[None]:
    """What comes into being here stays: it is never looked through for garbage, now or later."""
    gc.disable()
    try:
        yield
    finally:
        gc.freeze()
        gc.enable()
