"""An eight-hour shift of four lines through the whole pipeline into SQLite, beside bare decoding of it."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass

import msgspec

from service.store import open_store
from service.usecases.replay import replay
from tests.support.busy import busy_shift

HOURS = 8.0
RUNS = 3


@dataclass(frozen=True, slots=True)
class Took:
    """Seconds, each the best of some runs."""

    lines: int
    bare: float
    ours: float

    @property
    def rate(self) -> float:
        return self.lines / self.ours


def replay_seconds(hours: float = HOURS) -> Took:
    lines = busy_shift(hours)
    bare, ours = [], []
    for _ in range(RUNS):
        bare.append(_timed_bare(lines))
        ours.append(_timed(lines))
    return Took(len(lines), min(bare), min(ours))


def _timed_bare(lines: Sequence[bytes]) -> float:
    began = time.perf_counter()
    for line in lines:
        msgspec.json.decode(line)
    return time.perf_counter() - began


def _timed(lines: Sequence[bytes]) -> float:
    with tempfile.TemporaryDirectory() as folder:
        store = open_store(f"sqlite:///{folder}/shift.db", migrate=True)
        began = time.perf_counter()
        replay(lines, store.ledger)
        took = time.perf_counter() - began
        store.close()
    return took
