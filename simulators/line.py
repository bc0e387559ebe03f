"""One line of a plant: printer, placement stations, oven, with its orders and its changeovers.

Pure and seeded; moved by the plant's agenda. Who brings supplies is not decided here.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise

from simulators.agenda import Voice
from simulators.conveyor import Belt, Panel
from simulators.events import RecipeSet
from simulators.loading import Loading
from simulators.losses import Losses
from simulators.machine import Machine, Slot
from simulators.orders import Orders
from simulators.plan import LinePlan, PartPlan, RecipePlan, StationPlan
from simulators.printer import Oven, Printer
from simulators.scenario import Scenario
from simulators.station import Station
from simulators.store import Store
from simulators.streams import Streams
from simulators.telling import Telling


class Line:
    def __init__(
        self, plan: LinePlan, scenario: Scenario, store: Store, agenda: Voice, streams: Streams
    ) -> None:
        self.plan = plan
        self.panels = 0
        """Panels that left it."""
        self._agenda = agenda
        self._recipe: RecipePlan | None = None
        parts = {each.part: each for each in scenario.parts}
        self._orders = Orders(plan, agenda, streams, self._seconds_to_change, self._adopt)
        self.loadings = [
            self._build(each, scenario, parts, store, streams.at(each.station)) for each in plan.stations
        ]
        self._connect(streams)
        agenda.at(0.0, self._open_shift)

    def _build(
        self,
        plan: StationPlan,
        scenario: Scenario,
        parts: Mapping[str, PartPlan],
        store: Store,
        streams: Streams,
    ) -> Loading:
        """A station as the shift finds it: every slot holds its ``first`` quantity."""
        slots = {}
        for each in plan.slots:
            at = streams.at(each.slot)
            supply = store.named(parts[each.part], each.first, at.of("first"))
            slots[each.slot] = Slot(plan=each, supply=supply, losses=Losses(plan.wear, plan.takt, at))
        station = Station(Machine(plan=plan, slots=slots), self._agenda, streams)
        telling = Telling(
            plan.station,
            scenario.people.confirms,
            self._agenda,
            streams,
            by_message=scenario.supply_messages,
        )
        return Loading(
            station, store, parts, scenario.people, telling, self._agenda, streams, self._orders.make_up
        )

    def _connect(self, streams: Streams) -> None:
        stations = [each.station for each in self.loadings]
        for before, after in pairwise(stations):
            belt = Belt(after.plan.room)
            before.sink = after.source = belt
            belt.on_take, belt.on_put = before.pass_on, after.begin
        first = stations[0]
        first.source = self._orders
        self._orders.on_ready = first.begin
        if self.plan.printer:
            printer = Printer(self.plan.printer, self._agenda, streams.at(self.plan.printer.station))
            belt = Belt(first.plan.room)
            printer.sink = first.source = belt
            belt.on_take, belt.on_put = printer.pass_on, first.begin
            printer.source, self._orders.on_ready = self._orders, printer.begin
        stations[-1].sink = self._orders
        self._orders.on_placed = self._leave
        if self.plan.oven:
            self._orders.on_placed = Oven(self.plan.oven.transit, self._agenda, self._leave).put

    def _leave(self, panel: Panel) -> None:
        self.panels += 1

    def _open_shift(self) -> None:
        for loading in self.loadings:
            loading.open_shift()
        self._orders.open_shift()
        for loading in self.loadings:
            loading.station.open_shift()

    # Changeover

    def _seconds_to_change(self, recipe: RecipePlan) -> float:
        """What exchanging supplies adds to a changeover."""
        return self.plan.per_exchange * sum(len(each.to_exchange(recipe)) for each in self.loadings)

    def _adopt(self, recipe: RecipePlan) -> None:
        if recipe is self._recipe:
            return
        self._recipe = recipe
        for loading in self.loadings:
            loading.change_over(recipe)
            loading.station.machine.adopt(recipe)
            loading.station.show()
            # The one that runs comes first, so that there is no moment without one.
            for each in sorted(self.plan.recipes, key=lambda other: other is not recipe):
                self._agenda.say(self._as_set(each, loading.station.plan, active=each is recipe))

    def _as_set(self, recipe: RecipePlan, plan: StationPlan, *, active: bool) -> RecipeSet:
        usage = recipe.usage.get(plan.station, {})
        together = recipe.alternates.get(plan.station, ())
        used = {*usage, *(slot for group in together for slot in group)}
        parts = {slot.slot: slot.part for slot in plan.slots} | dict(recipe.parts.get(plan.station, {}))
        return RecipeSet(
            at=self._agenda.now,
            station=plan.station,
            recipe=recipe.recipe,
            boards_per_panel=recipe.boards_per_panel,
            usage=usage,
            parts={slot: part for slot, part in parts.items() if slot in used},
            alternates=together,
            active=active,
        )
