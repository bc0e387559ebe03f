"""The stencil printer at the head of a line: prints panel after panel, wipes its stencil, wants paste, has
its small stops, and is held when there is no room behind it. It has no supply slots.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from simulators.agenda import Voice
from simulators.conveyor import Belt, Panel, Sink, Source
from simulators.events import Cause
from simulators.halts import Halts
from simulators.plan import PrinterPlan
from simulators.streams import Streams


class Printer:
    def __init__(self, plan: PrinterPlan, agenda: Voice, streams: Streams) -> None:
        self.source: Source = Belt(0)
        self.sink: Sink = Belt(0)
        self._plan = plan
        self._agenda = agenda
        self._halts = Halts(plan.station, agenda)
        self._takt, self._stops, self._care = map(streams.of, ("takt", "stops", "care"))
        self._in_work: Panel | None = None
        self._ready: Panel | None = None
        self._printed = 0

    def begin(self) -> None:
        """Begin the next panel, if none is in work and the last one is gone."""
        if self._in_work:
            return
        if self._ready or not self.source.ready():
            cause: Cause = "held" if self._ready else self.source.lacking
            if self._halts.now:
                self._halts.turn(cause)
            else:
                self._halts.start(cause)
            return
        self._halts.end()
        self._in_work = self.source.take()
        self._printed += 1
        self._interrupted(iter(list(self._interruptions())))

    def pass_on(self) -> None:
        """Hand on the printed panel if there is room for it, and begin the next."""
        if self._ready and self.sink.room():
            panel, self._ready = self._ready, None
            self.sink.put(panel)
        self.begin()

    def _interruptions(self) -> Iterator[tuple[Cause, float]]:
        """What comes before this panel is printed."""
        plan = self._plan
        if self._printed % plan.wipe_every == 0:
            yield "wipe", self._care.uniform(*plan.wipe)
        if self._printed % plan.paste_every == 0:
            yield "paste", self._care.uniform(*plan.paste)
        if self._stops.random() < plan.stop_chance:
            yield "fault", self._stops.uniform(*plan.stop_seconds)

    def _interrupted(self, ahead: Iterator[tuple[Cause, float]]) -> None:
        """Stand still for one interruption after the other, then print."""
        self._halts.end()
        for cause, seconds in ahead:
            self._halts.start(cause)
            self._agenda.after(seconds, lambda: self._interrupted(ahead))
            return
        cycle = self._plan.cycle * self._takt.lognormvariate(0.0, self._plan.cycle_sigma)
        self._agenda.after(cycle, self._finish)

    def _finish(self) -> None:
        self._in_work, self._ready = None, self._in_work
        self.pass_on()


class Oven:
    """Takes every panel at once and lets it out after its transit."""

    def __init__(self, transit: float, agenda: Voice, on_out: Callable[[Panel], None]) -> None:
        self._transit = transit
        self._agenda = agenda
        self._on_out = on_out

    def put(self, panel: Panel) -> None:
        self._agenda.after(self._transit, lambda: self._on_out(panel))
