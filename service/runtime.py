"""How the interpreter is set for a program that must answer soon: when it looks for garbage, and how long one
thread keeps another waiting.

A look through everything that lives stops all threads, for half a second where a million things are known,
and finds next to nothing: what is known stays."""

from __future__ import annotations

import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager

SWITCH = 0.001
"""Seconds after which a thread that works gives way, a fifth of what is usual: a warning passes from thread
to thread, and waits at each for the ones that plan and publish."""
_THRESHOLDS = 10_000, 20, 50
"""Of the three generations. A batch of counts makes thousands of objects that live as long as it does."""


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
