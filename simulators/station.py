"""A station at work: panel after panel, held by what is after it, starved by what is before, stopped by
faults and by supplies that run out. When a supply comes back is not decided here (see ``refills``).
"""

from __future__ import annotations

import random
from collections.abc import Callable
from functools import partial

from simulators.agenda import Agenda
from simulators.conveyor import Belt, Sink, Source
from simulators.events import Cause, Counted, PanelMade, Stopped, TowerShown
from simulators.machine import Does, Halt, build
from simulators.plan import StationPlan

SHOWS_WAITING = 15.0
"""Seconds without work after which the tower says so."""
WORTH_NOTING = 5.0
"""Shorter waits (seconds) are part of the rhythm, not stops."""


class Station:
    """``on_tower`` hears which slots the tower newly names, and whether with the buzzer; ``on_boundary`` may
    keep the station between two panels by answering ``True``."""

    def __init__(self, plan: StationPlan, agenda: Agenda, rng: random.Random) -> None:
        self.plan = plan
        self.machine = build(plan, rng)
        self.source: Source = Belt(0)
        self.sink: Sink = Belt(0)
        self.on_tower: Callable[[tuple[str, ...], bool], None] = lambda slots, buzzer: None
        self.on_boundary: Callable[[], bool] = lambda: False
        self._agenda = agenda
        self._rng = rng

    def open_shift(self) -> None:
        zeros = dict.fromkeys(self.machine.slots, (0, 0))
        self._agenda.say(Counted(at=self._agenda.now, station=self.plan.station, panels=0, slots=zeros))
        self.show()

    # Panels

    def begin(self) -> None:
        """Begin the next panel, if the station stands between two and nothing keeps it."""
        machine = self.machine
        if machine.does is not Does.BOUNDARY or self.on_boundary():
            return
        if machine.holds or not self.source.ready():
            self._idle()
            return
        if short := machine.cannot_begin():
            self._run_out(short)
            return
        machine.does = Does.WORKING
        self.end_halt()
        machine.take_panel(self.plan.takt * self._rng.lognormvariate(0.0, self.plan.takt_sigma))
        self.source.take()
        if self._rng.random() < self.plan.stop_chance:
            machine.does = Does.FAULT
            self.start_halt("fault")
            self._agenda.after(self._rng.uniform(*self.plan.stop_seconds), self.go_on)
        else:
            self._work()
        self.show()

    def go_on(self) -> None:
        """Take up the panel in work where it was left."""
        self.machine.does = Does.WORKING
        self.machine.short_of = ()
        self.end_halt()
        self._work()
        self.show()

    def _work(self) -> None:
        self._agenda.after(self.machine.next_seconds(), self._worked)

    def _worked(self) -> None:
        machine = self.machine
        if not machine.place(self._rng):
            machine.does = Does.OUT
            self._run_out(machine.needs[0].group)
        elif machine.needs:
            self._work()
        else:
            self._complete()

    def _complete(self) -> None:
        machine = self.machine
        machine.does = Does.BOUNDARY
        machine.panels += 1
        machine.holds = True
        self.count()
        self._agenda.say(
            PanelMade(
                at=self._agenda.now,
                station=self.plan.station,
                panels=machine.panels,
                left={name: slot.supply.left for name, slot in machine.slots.items()},
                counted={name: slot.supply.counted for name, slot in machine.slots.items()},
            )
        )
        self.show()
        self.pass_on()

    def pass_on(self) -> None:
        """Hand on the complete panel if there is room for it, and begin the next."""
        if self.machine.holds and self.sink.room():
            self.machine.holds = False
            self.sink.put()
        self.begin()

    # Standing still

    def _idle(self) -> None:
        if self.machine.halt:
            return
        starved: Cause = "starved" if isinstance(self.source, Belt) else "no order"
        halt = self.start_halt("held" if self.machine.holds else starved)
        self._agenda.after(SHOWS_WAITING, partial(self._show_waiting, halt))

    def _show_waiting(self, halt: Halt) -> None:
        if self.machine.halt is halt:
            self.machine.waiting = True
            self.show()

    def _run_out(self, short: tuple[str, ...]) -> None:
        if self.machine.short_of == short:
            return
        self.machine.short_of = short
        self.start_halt("supply", short[0])
        self.count()
        self.show()

    def start_halt(self, cause: Cause, slot: str | None = None) -> Halt:
        """Stand still from now on; ends what it stood still for before."""
        self.end_halt()
        halt = self.machine.halt = Halt(self._agenda.now, cause, slot)
        return halt

    def end_halt(self) -> None:
        """Write down the stop, if it was one worth noting."""
        halt, self.machine.halt = self.machine.halt, None
        self.machine.waiting = False
        if halt is None or (halt.slot is None and self._agenda.now - halt.since < WORTH_NOTING):
            return
        self._agenda.say(
            Stopped(
                at=self._agenda.now,
                station=self.plan.station,
                cause=halt.cause,
                slot=halt.slot,
                since=halt.since,
            )
        )

    # What the machine says

    def count(self) -> None:
        """Say what was placed since this was last said."""
        if changed := self.machine.report():
            self._agenda.say(
                Counted(
                    at=self._agenda.now,
                    station=self.plan.station,
                    panels=self.machine.panels,
                    slots=changed,
                )
            )

    def show(self) -> None:
        """Show the tower, if it changed, to the world and to whoever stands near."""
        tower, before = self.machine.tower(), self.machine.shown
        if tower == before:
            return
        self.machine.shown = tower
        self._agenda.say(TowerShown(at=self._agenda.now, station=self.plan.station, tower=tower))
        buzzes = tower.buzzer != "off"
        known = before.slots if before and (before.buzzer != "off") == buzzes else ()
        if new := tuple(slot for slot in tower.slots if slot not in known):
            self.on_tower(new, buzzes)
