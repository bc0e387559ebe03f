"""A plant: lines side by side and the one crew that serves them, as a scenario says.

Pure and seeded: no clock, no I/O. ``advance`` says everything that happens up to a moment, ``tell`` and
``show_plan`` are the ways in from outside. Equal scenario, seed and calls give equal events.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from simulators.agenda import Agenda, Voice
from simulators.events import Event, Level
from simulators.followers import Followers
from simulators.line import Line
from simulators.operators import Operators
from simulators.scenario import Scenario
from simulators.sheet import Seconds, read_sheet
from simulators.store import Store
from simulators.streams import Streams


class Plant:
    """Without a ``bell`` the crew goes by towers and buzzers alone: what it is told changes nothing. With
    ``plans`` those who have a line go by its plan as well, as the scenario says."""

    def __init__(
        self, scenario: Scenario, *, seed: int | None = None, bell: bool, plans: bool = False
    ) -> None:
        self.scenario = scenario
        self._bell = bell
        self._agenda = Agenda()
        streams = Streams(scenario.seed if seed is None else seed)
        self._people = Operators(scenario.people, self._agenda, streams.of("people"))
        store = Store(scenario.people.keeps)
        self._lines = []
        for plan in scenario.lines:
            voice = Voice(self._agenda, plan.line)
            line = Line(plan, scenario, store, voice, streams.at(plan.line))
            for loading in line.loadings:
                self._people.serve(plan.line, loading, voice)
            self._lines.append(line)
        follows = scenario.people.follows if plans else None
        self._followers = follows and Followers(
            self._people, scenario.people, follows, self._agenda, streams.of("plans")
        )

    @property
    def now(self) -> float:
        return self._agenda.now

    @property
    def next_at(self) -> float:
        """When something happens next, if nobody is told anything before."""
        return self._agenda.next_at

    @property
    def panels(self) -> int:
        """Panels that left all the lines."""
        return sum(line.panels for line in self._lines)

    def advance(self, to: float) -> list[tuple[str, Event]]:
        """Everything that happens up to and including ``to``, in order, with the line it happens on."""
        return self._agenda.advance(to)

    def tell(
        self, line: str, station: str, slot: str, level: Level, person: str | None = None
    ) -> list[tuple[str, Event]]:
        """A warning reached the ``person``, or the whole crew, now. One about a slot that isn't here is
        nobody's."""
        if self._bell:
            self._people.warn(line, station, slot, level, person)
        return self._agenda.said()

    def show_plan(
        self, line: str, person: str, plan: Mapping[str, Any], seconds: Seconds
    ) -> list[tuple[str, Event]]:
        """The plan of a line, as it is shown now to the person who opened it; ``seconds`` turns its times
        into the plant's."""
        if self._followers:
            self._followers.hand(line, person, read_sheet(plan, seconds))
        return self._agenda.said()
