"""A line of placement stations with its orders and its people.

Pure and seeded: no clock, no I/O. ``advance`` says everything that happens up to a moment, ``tell`` is the
one way in from outside. Equal plan, seed and calls give equal events.
"""

from __future__ import annotations

import random
from itertools import pairwise
from typing import Literal

from simulators.agenda import Agenda
from simulators.conveyor import Belt
from simulators.events import Event, RecipeSet
from simulators.orders import Orders
from simulators.people import People
from simulators.plan import LinePlan, RecipePlan
from simulators.refills import Refills
from simulators.station import Station

Level = Literal["early", "urgent", "empty"]


class Line:
    def __init__(self, plan: LinePlan, rng: random.Random) -> None:
        self.plan = plan
        self._agenda = Agenda()
        self._recipe: RecipePlan | None = None
        self._orders = Orders(plan, self._agenda, rng, self._adopt)
        self._stations = {each.station: Station(each, self._agenda, rng) for each in plan.stations}
        people = People(plan.people, rng)
        self._refills = {
            name: Refills(station, people, plan.people, self._agenda, rng, self._orders.make_up)
            for name, station in self._stations.items()
        }
        self._connect()
        self._agenda.at(0.0, self._open_shift)

    @property
    def now(self) -> float:
        return self._agenda.now

    @property
    def next_at(self) -> float:
        """When something happens next, if nobody tells the line anything before."""
        return self._agenda.next_at

    @property
    def panels(self) -> int:
        """Panels that left the last station."""
        return self._orders.panels

    def advance(self, to: float) -> list[Event]:
        """Everything that happens up to and including ``to``, in order."""
        return self._agenda.advance(to)

    def tell(self, station: str, slot: str, level: Level) -> list[Event]:
        """A warning reached the people of the line, now. One about a slot that isn't here is nobody's."""
        refills = self._refills.get(station)
        if refills:
            refills.hear(slot, "warning" if level == "early" else "reminder")
        return self._agenda.said()

    def _connect(self) -> None:
        stations = list(self._stations.values())
        stations[0].source = self._orders
        stations[-1].sink = self._orders
        self._orders.on_ready = stations[0].begin
        for before, after in pairwise(stations):
            belt = Belt(after.plan.room)
            before.sink = after.source = belt
            belt.on_take, belt.on_put = before.pass_on, after.begin

    def _open_shift(self) -> None:
        self._orders.open_shift()
        for name, station in self._stations.items():
            self._refills[name].open_shift()
            station.open_shift()

    def _adopt(self, recipe: RecipePlan) -> None:
        if recipe is self._recipe:
            return
        self._recipe = recipe
        for station in self._stations.values():
            station.machine.adopt(recipe)
            # The one that runs comes first, so that there is no moment without one.
            for each in sorted(self.plan.recipes, key=lambda other: other is not recipe):
                self._agenda.say(self._as_set(each, station, active=each is recipe))

    def _as_set(self, recipe: RecipePlan, station: Station, *, active: bool) -> RecipeSet:
        name = station.plan.station
        usage = recipe.usage.get(name, {})
        together = recipe.alternates.get(name, ())
        used = {*usage, *(slot for group in together for slot in group)}
        return RecipeSet(
            at=self.now,
            station=name,
            recipe=recipe.recipe,
            boards_per_panel=recipe.boards_per_panel,
            usage=usage,
            parts={slot.slot: slot.part for slot in station.plan.slots if slot.slot in used},
            alternates=together,
            active=active,
        )
