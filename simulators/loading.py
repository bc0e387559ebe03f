"""How supplies get into a station and out of it: a new one is loaded, a tape spliced on, a tray exchanged,
which is done between two panels only; at a changeover what the recipe doesn't want goes back to the store.

Who comes when is not decided here (see ``operators``).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial

from simulators.agenda import Voice
from simulators.events import Change, PanelPulled
from simulators.machine import Does
from simulators.plan import PartPlan, PeoplePlan, RecipePlan
from simulators.station import Station
from simulators.store import Store, Supply
from simulators.streams import Streams
from simulators.telling import Telling

PATIENCE = 180.0
"""Seconds for which somebody waits at a machine for the panel that a plan names."""
TOO_EARLY = 60
"""Panels that a slot still lasts by the machine's count, beyond which whoever comes leaves it alone."""


@dataclass(frozen=True, slots=True)
class Hand:
    """Somebody stands at a slot with a supply; ``done`` lets them go. ``planned``: a plan says that it is
    time, whatever the slot still lasts. ``panels`` of the station must be made before it is exchanged, unless
    the station needs it or stands for longer than ``PATIENCE``."""

    slot: str
    supply: Supply
    person: str
    done: Callable[[], None]
    planned: bool = False
    panels: int = 0
    until: float = 0.0


def after_all(number: int, then: Callable[[], None]) -> Callable[[], None]:
    """What so many hands call when they are done: the last call is ``then``'s."""

    def one_done() -> None:
        nonlocal number
        number -= 1
        if not number:
            then()

    return one_done


class Loading:
    def __init__(
        self,
        station: Station,
        store: Store,
        parts: Mapping[str, PartPlan],
        people: PeoplePlan,
        telling: Telling,
        agenda: Voice,
        streams: Streams,
        make_up: Callable[[], None],
    ) -> None:
        self.station = station
        self._machine = station.machine
        self._store = store
        self._parts = parts
        self._people = people
        self._telling = telling
        self._agenda = agenda
        self._hands = streams.of("hands")
        self._shortness = {name: streams.at(name).of("shortness") for name in self._machine.slots}
        self._make_up = make_up
        self._waiting: list[Hand] = []
        """Trays that people hold ready for the panel boundary."""
        self._wanted = {name: slot.supply.part.part for name, slot in self._machine.slots.items()}
        station.on_boundary = self._exchange_next
        station.on_out = self._help_out

    def open_shift(self) -> None:
        for name, slot in self._machine.slots.items():
            self._telling.set_up(name, slot.supply, self._people.setter)

    # Changeover

    def to_exchange(self, recipe: RecipePlan) -> dict[str, str]:
        """The slots that hold another part than the recipe wants there, with the part it wants."""
        named = recipe.parts.get(self.station.plan.station, {})
        usual = {slot.slot: slot.part for slot in self.station.plan.slots}
        wanted = usual | dict(named)
        return {
            name: part for name, part in wanted.items() if part != self._machine.slots[name].supply.part.part
        }

    def change_over(self, recipe: RecipePlan) -> None:
        """Exchange what the recipe wants otherwise: all that comes out is in the store before anything goes
        in, so that a reel may go from one slot to another."""
        exchanged = self.to_exchange(recipe)
        for name in exchanged:
            self._take_out(name)
        for name, part in exchanged.items():
            supply = self._store.fetch(self._parts[part], self._shortness[name])
            self._machine.slots[name].supply = supply
            self._telling.set_up(name, supply, self._people.setter)

    # Refills

    def shown(self) -> tuple[str, ...]:
        """The slots that the machine calls low or waits for."""
        return tuple(dict.fromkeys((*self._machine.short_of, *self._machine.low())))

    def lasts(self, slot: str) -> float:
        """Panels that the slot still feeds, by the machine's count."""
        usage = self._machine.usage_of(slot)
        return self._machine.slots[slot].supply.counted / usage if usage else float("inf")

    def wants(self, slot: str) -> bool:
        """Whether somebody who looks at the slot would say it needs a supply soon."""
        return slot in self.shown() or self.lasts(slot) <= TOO_EARLY

    def fetch(self, slot: str) -> Supply:
        """What somebody takes from the store for the slot."""
        return self._store.fetch(self._machine.slots[slot].supply.part, self._shortness[slot])

    def bring(self, hand: Hand) -> None:
        """Somebody stands there with a supply, and looks first whether it is still needed."""
        if not self._fits(hand):
            self._leave(hand)
        elif self._machine.slots[hand.slot].boundary_only:
            if hand.panels > self._machine.panels:
                hand = replace(hand, until=self._agenda.now + PATIENCE)
                self._agenda.at(hand.until, self.station.begin)
            self._waiting.append(hand)
            self._help_out()
            self.station.begin()
        else:
            self._agenda.after(self._hands.uniform(*self._people.exchange), partial(self._refill, hand))

    def _fits(self, hand: Hand) -> bool:
        needed = self.is_begun(hand.slot) if hand.planned else self.wants(hand.slot)
        return needed and self.holds_part_of(hand.slot, hand.supply)

    def is_begun(self, slot: str) -> bool:
        """Whether so much of its supply is gone that nobody would call it a new one."""
        supply = self._machine.slots[slot].supply
        return supply.counted <= supply.part.full / 2

    def holds_part_of(self, slot: str, supply: Supply) -> bool:
        return self._machine.slots[slot].supply.part == supply.part

    def part_in(self, slot: str) -> PartPlan:
        return self._machine.slots[slot].supply.part

    def put_back(self, supply: Supply) -> None:
        """What was fetched and isn't needed goes back to the store."""
        self._store.put_back(supply)

    def _leave(self, hand: Hand) -> None:
        self.put_back(hand.supply)
        hand.done()

    def _help_out(self) -> None:
        """A tray that ran out within a panel is exchanged at once where somebody has the next one at hand."""
        if self._machine.does is not Does.OUT:
            return
        needed = [hand.slot for hand in self._waiting if hand.slot in self._machine.short_of]
        if needed:
            self._pull_panel(needed[0])
            self._agenda.after(0.0, self.station.begin)

    def _pull_panel(self, slot: str) -> None:
        """Make a boundary where a tray ran out within a panel: that panel is finished by hand, elsewhere."""
        self._machine.needs.clear()
        self._machine.does = Does.BOUNDARY
        self._agenda.say(PanelPulled(at=self._agenda.now, station=self.station.plan.station, slot=slot))
        self._make_up()

    def _exchange_next(self) -> bool:
        """Exchange one of the trays at hand; ``False`` when there is none."""
        hand = next(filter(self._is_time_for, self._waiting), None)
        if hand is None:
            return False
        self._waiting.remove(hand)
        self._machine.does = Does.EXCHANGE
        if hand.slot not in self._machine.short_of:
            self.station.start_halt("exchange", hand.slot)
        self.station.show()
        self._agenda.after(self._hands.uniform(*self._people.exchange), partial(self._exchanged, hand))
        return True

    def _is_time_for(self, hand: Hand) -> bool:
        machine = self._machine
        return (
            hand.panels <= machine.panels
            or hand.slot in (*machine.short_of, *machine.cannot_begin())
            or self._agenda.now >= hand.until
        )

    def _exchanged(self, hand: Hand) -> None:
        self._machine.does = Does.BOUNDARY
        self._machine.short_of = tuple(name for name in self._machine.short_of if name != hand.slot)
        if not self._machine.short_of:
            self.station.end_halt()
        self._refill(hand)
        self.station.begin()

    def _refill(self, hand: Hand) -> None:
        """Load the new supply, or splice it on while the old one still feeds."""
        here, new = self._machine.slots[hand.slot], hand.supply
        if here.supply.part != new.part:
            self._leave(hand)
            return
        self.station.count()
        feeds = not here.boundary_only and here.supply.left > 0
        change: Change = "joined" if feeds and self._hands.random() < self._people.splices else "loaded"
        quantity = new.label
        if change == "joined":
            here.supply.join(new)
        else:
            self._take_out(hand.slot)
            here.supply = new
        self._telling.refilled(hand.slot, change, here.supply, quantity, hand.person)
        if self._machine.does is Does.OUT and hand.slot in self._machine.short_of:
            self.station.go_on()
        else:
            self.station.show()
        hand.done()

    def _take_out(self, slot: str) -> None:
        supply = self._machine.slots[slot].supply
        self._telling.ended(slot, supply, kept=self._store.is_kept(supply))
        self._store.take_back(supply)
