"""A station at work: panel after panel, held by what is after it, starved by what is before, stopped by
faults and by supplies that run out. When a supply comes back is not decided here (see ``refills``).
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from simulators.agenda import Voice
from simulators.conveyor import Belt, Sink, Source
from simulators.events import Cause, Counted, PanelMade, TowerShown
from simulators.halts import Halt, Halts
from simulators.machine import Does, Machine
from simulators.streams import Streams

SHOWS_WAITING = 15.0
"""Seconds without work after which the tower says so."""


class Station:
    """``on_tower`` hears which slots the tower newly names, and whether with the buzzer; ``on_boundary`` may
    keep the station between two panels by answering ``True``; ``on_out`` hears that it ran out within one."""

    def __init__(self, machine: Machine, agenda: Voice, streams: Streams) -> None:
        self.plan = machine.plan
        self.machine = machine
        self.halts = Halts(machine.plan.station, agenda)
        self.source: Source = Belt(0)
        self.sink: Sink = Belt(0)
        self.on_tower: Callable[[tuple[str, ...], bool], None] = lambda slots, buzzer: None
        self.on_boundary: Callable[[], bool] = lambda: False
        self.on_out: Callable[[], None] = lambda: None
        self._agenda = agenda
        self._takt, self._stops = map(streams.of, ("takt", "stops"))

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
        machine.short_of = ()
        self.end_halt()
        takt = self.plan.takt * self._takt.lognormvariate(0.0, self.plan.takt_sigma)
        machine.take_panel(self.source.take(), takt)
        if self._stops.random() < self.plan.stop_chance:
            machine.does = Does.FAULT
            self.start_halt("fault")
            self._agenda.after(self._stops.uniform(*self.plan.stop_seconds), self.go_on)
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
        if not machine.place():
            machine.does = Does.OUT
            self._run_out(machine.needs[0].group)
            self.on_out()
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
        supplies = {name: slot.supply for name, slot in machine.slots.items()}
        self._agenda.say(
            PanelMade(
                at=self._agenda.now,
                station=self.plan.station,
                panels=machine.panels,
                left={name: each.left for name, each in supplies.items()},
                counted={name: each.counted for name, each in supplies.items()},
                unseen={name: each.unseen for name, each in supplies.items()},
                short={name: each.short for name, each in supplies.items()},
            )
        )
        self.show()
        self.pass_on()

    def pass_on(self) -> None:
        """Hand on the complete panel if there is room for it, and begin the next."""
        machine = self.machine
        if machine.holds and machine.panel and self.sink.room():
            panel, machine.panel, machine.holds = machine.panel, None, False
            self.sink.put(panel)
        self.begin()

    # Standing still

    def _idle(self) -> None:
        cause: Cause = "held" if self.machine.holds else self.source.lacking
        if self.halts.now:
            if self.halts.now.slot is None:
                self.halts.turn(cause)
            return
        halt = self.start_halt(cause)
        self._agenda.after(SHOWS_WAITING, partial(self._show_waiting, halt))

    def _show_waiting(self, halt: Halt) -> None:
        if self.halts.now is halt:
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
        self.machine.waiting = False
        return self.halts.start(cause, slot)

    def end_halt(self) -> None:
        self.machine.waiting = False
        self.halts.end()

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
