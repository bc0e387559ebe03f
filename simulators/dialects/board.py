"""What a gateway knows of a line, value by value: the source of formats that say values, not what happened.

A value has a plain name here (``placed`` of a slot); what it is called in a format is the format's.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import NamedTuple

from simulators.events import Counted, Event, OrderSet, RecipeSet, Supplied, TowerShown

Value = int | str
LAMPS = ("red", "yellow", "green", "buzzer")
OF_SUPPLY = ("part", "lot", "kind", "quantity", "supply")
_COUNTERS = ("placed", "lost", "panels")


class Name(NamedTuple):
    """``of``: the slot or the lamp that it is a value of."""

    what: str
    of: str = ""

    def within(self, names: Mapping[str, str]) -> str:
        """What a format calls it."""
        return names[self.what].format(self.of)


Values = dict[Name, Value]


class Left:
    """What each slot holds by what was declared and counted, as a machine knows it: ``of`` line and slot."""

    def __init__(self) -> None:
        self.of: dict[tuple[str, str], int] = {}
        self._before: dict[tuple[str, str], tuple[str, int, int]] = {}

    def count(self, event: Counted) -> dict[str, tuple[int, int]]:
        """Placed and lost since the last count, by slot."""
        used = {}
        for slot, (placed, lost) in event.slots.items():
            place = event.station, slot
            life, placed_before, lost_before = self._before.get(place, (event.life, 0, 0))
            if life != event.life:
                placed_before = lost_before = 0
            self._before[place] = event.life, placed, lost
            used[slot] = placed - placed_before, lost - lost_before
            if place in self.of:
                self.of[place] = max(0, self.of[place] - sum(used[slot]))
        return used

    def supply(self, event: Supplied) -> int:
        """What the slot holds now."""
        place = event.station, event.slot
        before = self.of.get(place, 0) if event.change == "joined" else 0
        self.of[place] = before + event.quantity
        return self.of[place]


class Board:
    """``of`` holds all there is to say of each station now. A spliced tape is said as a supply that holds
    what both do: values have no word for a splice. Of orders only the one that runs is said, of recipes the
    one that is active."""

    def __init__(self, supply_name: Callable[[str], str], order_name: Callable[[int], str]) -> None:
        self.of: dict[str, Values] = {}
        self.line: Values = {}
        self._supply_name = supply_name
        self._order_name = order_name
        self._lives: dict[str, str] = {}
        self._left = Left()

    def hear(self, event: Event) -> Iterator[tuple[str, Values]]:
        """The kinds of the messages that say it, each with the values that changed; what comes later isn't
        known before."""
        match event:
            case Counted():
                yield from self._count(event)
            case Supplied():
                yield from self._change("supply", event.station, self._supply(event))
            case TowerShown():
                shown: Values = {Name("lamp", lamp): getattr(event.tower, lamp) for lamp in LAMPS}
                yield from self._change("tower", event.station, shown)
            case RecipeSet(active=True):
                yield from self._change("recipe", event.station, self._recipe(event))
            case OrderSet(state="running" | "finished"):
                yield from self._change("order", None, self._order(event))

    def _count(self, event: Counted) -> Iterator[tuple[str, Values]]:
        """A gateway that starts, or starts anew, has all its counters at zero and says so."""
        self._left.count(event)
        values: Values = {}
        for slot, (placed, lost) in event.slots.items():
            values |= {Name("placed", slot): placed, Name("lost", slot): lost}
        values[Name("panels")] = event.panels
        if self._lives.get(event.station) != event.life:
            self._lives[event.station] = event.life
            known = self.of.setdefault(event.station, {})
            zeros: Values = dict.fromkeys((each for each in known | values if each.what in _COUNTERS), 0)
            known.update(zeros)
            yield "birth", zeros
        yield from self._change("count", event.station, values)

    def _change(self, kind: str, station: str | None, values: Values) -> Iterator[tuple[str, Values]]:
        known = self.line if station is None else self.of.setdefault(station, {})
        changed = {name: value for name, value in values.items() if known.get(name) != value}
        known.update(changed)
        if changed:
            yield kind, changed

    def _supply(self, event: Supplied) -> Values:
        values: Values = {
            Name("part", event.slot): event.part,
            Name("lot", event.slot): event.lot,
            Name("kind", event.slot): event.kind,
            Name("quantity", event.slot): self._left.supply(event),
            Name("supply", event.slot): self._supply_name(event.supply),
        }
        return values

    def _recipe(self, event: RecipeSet) -> Values:
        """Slots that it doesn't use take none."""
        known = (name for name in self.of[event.station] if name.what == "usage")
        values: Values = dict.fromkeys(known, 0)
        values |= {Name("usage", slot): parts for slot, parts in event.usage.items()}
        return values | {Name("recipe"): event.recipe}

    def _order(self, event: OrderSet) -> Values:
        return {
            Name("order"): self._order_name(event.number),
            Name("order_panels"): event.panels,
            Name("order_state"): event.state,
        }
