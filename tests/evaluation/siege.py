"""What befalls the program in an hour: first it is killed again and again, then one life must last while all
around it fails. All of it drawn from one seed, printed as it happens."""

from __future__ import annotations

import random
import signal
import sqlite3
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from tests.torture.faults import Faults, Say, Toll
from tests.torture.stage import Stage

KILLING = 0.35
"""The share of the time in which the program itself is killed. After that nothing of ours ends it, so that
its memory can be seen."""
LAST = 0.04
"""The share at the end in which nothing happens any more."""
WRONG = (timedelta(days=1), timedelta(days=-30), timedelta(hours=2))
"""Clocks that nobody should believe."""


@dataclass(frozen=True, slots=True)
class Spell:
    """One fault, from its beginning until the program was ready again; by ``time.time()``."""

    begin: float
    end: float
    is_kill: bool


class Siege(Faults):
    """``every``: seconds between two faults, on average."""

    def __init__(self, stage: Stage, say: Say, *, every: float) -> None:
        super().__init__(stage, say)
        self.spells: list[Spell] = []
        self.given_up: str | None = None
        """Why it ended early."""
        self._every = every
        self._dice = random.Random(f"{stage.plan.seed}/siege")

    def run(self) -> Toll:
        seconds = self.stage.plan.seconds
        began = time.monotonic()
        killing, bearable = self._killing(), self._bearable()
        while (passed := time.monotonic() - began) < seconds * (1 - LAST):
            if self.stage.floor.failed is not None:
                raise self.stage.floor.failed
            self._pass(self._dice.uniform(0.5, 1.5) * self._every)
            is_kill = passed < seconds * KILLING
            fault = self._dice.choice(killing if is_kill else bearable)
            start = time.time()
            try:
                fault()
                self._await_ready(self.toll.returns)
            except AssertionError as error:  # the hour so far is worth its report
                self.given_up = f"not ready again within {self.stage.plan.ready_within:.0f} s"
                self._say(str(error))
                return self.toll
            self.spells.append(Spell(start, time.time(), is_kill))
        self._pass(max(0.0, seconds - (time.monotonic() - began)))
        return self.toll

    def _killing(self) -> list[Callable[[], None]]:
        return [self._kill, self._kill, self._kill, self._kill_broker, self._outage, *self._bearable()]

    def _bearable(self) -> list[Callable[[], None]]:
        """What the program must live through."""
        faults = [
            self._restart_broker,
            self._lose_broker,
            self._bad_weather,
            self._bad_weather,
            self._no_receivers,
            self._pause,
            self._slow_store,
            self._wrong_clocks,
        ]
        if self.stage.postgres is not None:
            faults += [self._restart_database, self._no_store]
        return faults

    def _lose_broker(self) -> None:
        self._note("broker SIGKILL")
        self.stage.broker.restart(signal.SIGKILL)

    def _no_receivers(self) -> None:
        seconds = self._dice.uniform(5, 30)
        self._note("receivers away", f"{seconds:.0f} s")
        self.stage.receivers.away()
        self._pass(seconds)
        self.stage.receivers.back()
        self.stage.receivers.refuse_mail()

    def _pause(self) -> None:
        """As a machine that is moved, or swaps."""
        seconds = self._dice.uniform(1, 8)
        self._note("paused", f"{seconds:.0f} s")
        self.stage.program.signal(signal.SIGSTOP)
        self._pass(seconds)
        self.stage.program.signal(signal.SIGCONT)

    def _slow_store(self) -> None:
        """Each answer of PostgreSQL comes late; SQLite's file is held by another writer."""
        seconds = self._dice.uniform(2, 10)
        if self.stage.postgres is not None:
            late = self._dice.uniform(0.02, 0.2)
            self._note("store slow", f"{late * 1e3:.0f} ms for {seconds:.0f} s")
            self.stage.wires["service-store"].delay(late)
            self._pass(seconds)
            self.stage.wires["service-store"].heal()
            return
        self._note("store held", f"{seconds:.0f} s")
        self._hold(self.stage.folder / "store.db", seconds)

    def _hold(self, path: Path, seconds: float) -> None:
        other = sqlite3.connect(path, timeout=30, isolation_level=None)
        try:
            other.execute("BEGIN IMMEDIATE")
            self._pass(seconds)
            other.execute("ROLLBACK")
        finally:
            other.close()

    def _no_store(self) -> None:
        seconds = self._dice.uniform(1, 12)
        self._note("store away", f"{seconds:.0f} s")
        wire = self.stage.wires["service-store"]
        wire.refuse()
        wire.cut()
        self._pass(seconds)
        wire.heal()

    def _wrong_clocks(self) -> None:
        """Every fifth gateway's clock jumps, and is set right at the next such fault."""
        self._note("clocks wrong", "every fifth station")
        for number, station in enumerate(self.stage.floor.stations.values()):
            wrong = station.ahead == timedelta(0) and number % 5 == 0
            station.ahead = self._dice.choice(WRONG) if wrong else timedelta(0)
