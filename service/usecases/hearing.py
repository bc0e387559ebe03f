"""Since when the floor has been heard without a break: what isn't heard before that proves no silence.

A lost broker, a store that is away, a process that was held up and a clock that was set all break it. Works
on the moments it is handed and has no clock of its own."""

from __future__ import annotations

from service.domain.model import SECOND, Instant

LONGEST_GAP = 10.0
"""Seconds between two looks, which should be one; and how far our clock may run apart from the steady one."""


class Hearing:
    """``look`` about once a second. ``steps``: whether the clock is ours, so that a jump means it was set:
    ``was_set``, since the look before."""

    def __init__(self, *, steps: bool) -> None:
        self._steps = steps
        self._since: Instant | None = None
        self._last: tuple[Instant, float] | None = None
        self.was_set = False

    def look(self, now: Instant, steady: float, *, hears: bool) -> Instant | None:
        """Since when; ``None`` while nothing is heard. ``steady``: seconds that no clock change moves."""
        passed, steadily = (0, 0.0) if self._last is None else (now - self._last[0], steady - self._last[1])
        self.was_set = self._steps and abs(passed / SECOND - steadily) > LONGEST_GAP
        if self.was_set or steadily > LONGEST_GAP:
            self._since = None
        self._last = now, steady
        if not hears:
            self._since = None
        elif self._since is None:
            self._since = now
        return self._since
