"""One machine standing still: since when and why, and whether that was worth writing down."""

from __future__ import annotations

from dataclasses import dataclass

from simulators.agenda import Voice
from simulators.events import Cause, Stopped

WORTH_NOTING = 5.0
"""Shorter waits (seconds) are part of the rhythm, not stops."""


@dataclass(slots=True)
class Halt:
    since: float
    cause: Cause
    slot: str | None = None


class Halts:
    def __init__(self, station: str, agenda: Voice) -> None:
        self.now: Halt | None = None
        self._station = station
        self._agenda = agenda

    def start(self, cause: Cause, slot: str | None = None) -> Halt:
        """Stand still from now on; ends what it stood still for before."""
        self.end()
        self.now = Halt(self._agenda.now, cause, slot)
        return self.now

    def turn(self, cause: Cause) -> None:
        """Stand on, for another reason from now on."""
        halt = self.now
        if halt is not None and halt.cause != cause:
            self._note(halt)
            halt.since, halt.cause = self._agenda.now, cause

    def end(self) -> None:
        """Write down the stop, if it was one worth noting."""
        halt, self.now = self.now, None
        if halt is not None:
            self._note(halt)

    def _note(self, halt: Halt) -> None:
        if halt.slot is None and self._agenda.now - halt.since < WORTH_NOTING:
            return
        self._agenda.say(
            Stopped(
                at=self._agenda.now,
                station=self._station,
                cause=halt.cause,
                slot=halt.slot,
                since=halt.since,
            )
        )
