"""How far a recording is, on standard error."""

from __future__ import annotations

import math
import sys
import time
from pathlib import Path

from service.domain.model import Instant, to_datetime
from service.recordings import lines_of
from service.usecases.survey import end_of

EVERY = 0.2
"""Seconds between two looks on a terminal; elsewhere fifty times as many."""


class Bar:
    """On a terminal in one line, elsewhere a line now and then."""

    def __init__(self, file: Path, *, wanted: bool, to: Instant | None, what: str = "entries") -> None:
        """``wanted``: shown also where there is no terminal. How long standard input is, nobody knows."""
        terminal = sys.stderr.isatty()
        shown = (terminal or wanted) and str(file) != "-"
        self._every = EVERY if terminal else EVERY * 50
        self._ends = "\r" if terminal else "\n"
        self._what = what
        self._began = self._last = time.monotonic()
        self._to = end_of(lines_of(file), to) if shown else None
        self._from: Instant | None = None
        self._wide = 0

    def show(self, number: int, at: Instant) -> None:
        now = time.monotonic()
        if self._from is None:
            self._from = at
        if self._to is None or now - self._last < self._every:
            return
        self._last = now
        took = now - self._began
        share = min(1.0, (at - self._from) / max(1, self._to - self._from))
        left = f", {_lasting(took / share - took)} left" if share > 0.0 else ""
        pace = f"{number / took:.0f} {self._what}/s"
        text = f"{share:4.0%}  {to_datetime(at):%Y-%m-%d %H:%M:%S} UTC  {pace}{left}"
        self._wide = max(self._wide, len(text))
        print(text.ljust(self._wide), end=self._ends, file=sys.stderr, flush=True)

    def end(self) -> None:
        if self._wide and self._ends == "\r":
            print(" " * self._wide, end="\r", file=sys.stderr, flush=True)


def _lasting(seconds: float) -> str:
    minutes, rest = divmod(math.ceil(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    if hours:
        return f"{hours} h {minutes:02} min"
    return f"{minutes} min {rest:02} s" if minutes else f"{rest} s"
