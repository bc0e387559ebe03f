"""How supplies get into a station: people hear of a need, come, look, and load a new supply, splice a tape
on, or exchange a tray, which is done between two panels only.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from functools import partial
from typing import Literal

from simulators.agenda import Agenda
from simulators.events import Learned, PanelPulled, PersonSent, Supplied, SupplyEnded
from simulators.machine import Does, Supply
from simulators.people import People
from simulators.plan import PeoplePlan
from simulators.station import Station


class Refills:
    def __init__(
        self,
        station: Station,
        people: People,
        plan: PeoplePlan,
        agenda: Agenda,
        rng: random.Random,
        make_up: Callable[[], None],
    ) -> None:
        self._station = station
        self._machine = station.machine
        self._name = station.plan.station
        self._people = people
        self._plan = plan
        self._agenda = agenda
        self._rng = rng
        self._make_up = make_up
        self._at_hand: list[tuple[str, str]] = []
        """Trays that people hold ready for the panel boundary, with who holds them."""
        station.on_tower = self._tower_names
        station.on_boundary = self._exchange_next

    def open_shift(self) -> None:
        for slot, here in self._machine.slots.items():
            self._say_supplied(slot, "loaded", here.supply.label, self._plan.names[0])

    def hear(self, slot: str, learned: Learned) -> None:
        """People learned that the slot needs a supply."""
        if slot not in self._machine.slots or any(slot == ready for ready, _ in self._at_hand):
            return
        errand = self._people.hear((self._name, slot), learned, self._agenda.now)
        if errand is None:
            return
        self._agenda.at(errand.due, partial(self._arrive, slot, errand.due))
        self._agenda.say(
            PersonSent(
                at=self._agenda.now,
                station=self._name,
                slot=slot,
                person=errand.person,
                learned=learned,
                due=errand.due,
            )
        )

    def _tower_names(self, slots: tuple[str, ...], buzzes: bool) -> None:
        for slot in slots:
            self.hear(slot, "buzzer" if buzzes else "tower")

    def _arrive(self, slot: str, due: float) -> None:
        """Somebody stands there with a new supply, and looks first whether it is still needed."""
        person = self._people.arrives((self._name, slot), due)
        here = self._machine.slots[slot]
        if person is None or here.supply.counted > here.plan.full // 2:
            return
        if not here.plan.boundary_only:
            self._refill(slot, person)
            return
        self._at_hand.append((slot, person))
        if self._machine.does is Does.OUT and slot in self._machine.short_of:
            self._pull_panel(slot)
        self._station.begin()

    def _pull_panel(self, slot: str) -> None:
        """Make a boundary where a tray ran out within a panel: that panel is finished by hand, elsewhere."""
        self._machine.needs.clear()
        self._machine.does = Does.BOUNDARY
        self._agenda.say(PanelPulled(at=self._agenda.now, station=self._name, slot=slot))
        self._make_up()

    def _exchange_next(self) -> bool:
        """Exchange one of the trays at hand; ``False`` when there is none."""
        if not self._at_hand:
            return False
        slot, person = self._at_hand.pop(0)
        self._machine.does = Does.EXCHANGE
        if slot not in self._machine.short_of:
            self._station.start_halt("exchange", slot)
        self._station.show()
        self._agenda.after(self._rng.uniform(*self._plan.exchange), partial(self._exchanged, slot, person))
        return True

    def _exchanged(self, slot: str, person: str) -> None:
        self._machine.does = Does.BOUNDARY
        self._machine.short_of = tuple(name for name in self._machine.short_of if name != slot)
        if not self._machine.short_of:
            self._station.end_halt()
        self._refill(slot, person)
        self._station.begin()

    def _refill(self, slot: str, person: str) -> None:
        """Load a new supply, or splice a tape on while the old one still feeds."""
        here = self._machine.slots[slot]
        self._station.count()
        short = self._rng.randint(*here.plan.short)
        feeds = not here.plan.boundary_only and here.supply.left > 0
        if feeds and self._rng.random() < self._plan.splices:
            here.supply.label += here.plan.full
            here.supply.short += short
            self._say_supplied(slot, "joined", here.plan.full, person)
        else:
            self._say_ended(slot)
            here.supply = Supply(here.plan.full, short)
            self._say_supplied(slot, "loaded", here.plan.full, person)
        if self._machine.does is Does.OUT and slot in self._machine.short_of:
            self._station.go_on()
        else:
            self._station.show()

    def _say_supplied(self, slot: str, change: Literal["loaded", "joined"], quantity: int, by: str) -> None:
        plan = self._machine.slots[slot].plan
        self._agenda.say(
            Supplied(
                at=self._agenda.now,
                station=self._name,
                slot=slot,
                change=change,
                kind=plan.kind,
                part=plan.part,
                lot=f"{self._rng.choice('ABCDEFGH')}{self._rng.randint(10, 99)}",
                quantity=quantity,
                by=by,
            )
        )

    def _say_ended(self, slot: str) -> None:
        supply = self._machine.slots[slot].supply
        self._agenda.say(
            SupplyEnded(
                at=self._agenda.now,
                station=self._name,
                slot=slot,
                label=supply.label,
                placed=supply.placed,
                lost=supply.lost,
                left=supply.left,
                short=supply.short,
            )
        )
