"""Waiting for a condition with a deadline: the only place where a test lets time pass."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

T = TypeVar("T")

_SHORTEST, _LONGEST = 0.002, 0.05


def eventually(
    condition: Callable[[], T],
    *,
    timeout: float = 10.0,
    message: str | Callable[[], str] = "the condition did not come true",
    ignoring: tuple[type[Exception], ...] = (AssertionError,),
) -> T:
    """The first true value of ``condition``, asked again and again for up to ``timeout`` seconds.

    An exception in ``ignoring`` counts as "not yet". At the deadline an ``AssertionError`` tells ``message``
    (a callable is asked only then) and the last answer.
    """
    deadline = time.monotonic() + timeout
    pause = _SHORTEST
    while True:
        try:
            value, failure = condition(), None
        except ignoring as error:
            value, failure = None, error
        if value:
            return value
        if time.monotonic() >= deadline:
            text = message if isinstance(message, str) else message()
            raise AssertionError(f"{text} within {timeout:g} s; last: {failure or value!r}") from failure
        time.sleep(pause)
        pause = min(pause * 2, _LONGEST)
