"""One placement machine: its supplies, its picks, its counters and what its tower shows.

Knows nothing of the clock, of other stations or of people; ``station`` moves it.
"""

from __future__ import annotations

import random
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum, auto

from simulators.events import Cause, Lamp, Tower
from simulators.plan import RecipePlan, SlotPlan, StationPlan


class Does(Enum):
    """``BOUNDARY``: the last panel is complete and the next has not begun."""

    BOUNDARY = auto()
    WORKING = auto()
    OUT = auto()
    FAULT = auto()
    EXCHANGE = auto()


@dataclass(slots=True)
class Supply:
    """What is loaded in a slot; a spliced tape is one supply with what it was spliced to."""

    label: int
    short: int
    placed: int = 0
    lost: int = 0

    @property
    def left(self) -> int:
        """Parts that are really there."""
        return self.label - self.short - self.placed - self.lost

    @property
    def counted(self) -> int:
        """Parts that the machine believes are there."""
        return self.label - self.placed - self.lost


@dataclass(slots=True)
class Slot:
    plan: SlotPlan
    supply: Supply
    placed: int = 0
    lost: int = 0
    reported: tuple[int, int] = (0, 0)

    def pick(self, need: int, rng: random.Random) -> int:
        """Place ``need`` parts, or as many as are there; how many were placed."""
        placed = lost = 0
        left, loss = self.supply.left, self.plan.loss
        while placed < need and placed + lost < left:
            if rng.random() < loss:
                lost += 1
            else:
                placed += 1
        self.supply.placed += placed
        self.supply.lost += lost
        self.placed += placed
        self.lost += lost
        return placed


@dataclass(slots=True)
class Need:
    """What one group of alternating slots still owes the panel in work."""

    group: tuple[str, ...]
    parts: int


@dataclass(slots=True)
class Halt:
    since: float
    cause: Cause
    slot: str | None = None


@dataclass(slots=True)
class Machine:
    plan: StationPlan
    slots: dict[str, Slot]
    does: Does = Does.BOUNDARY
    panels: int = 0
    holds: bool = False
    """A complete panel stands in it, because there is no room behind."""
    short_of: tuple[str, ...] = ()
    """Slots it waits for, in the middle of a panel (``OUT``) or before it begins one."""
    waiting: bool = False
    """Has had nothing to do for long enough to show it."""
    needs: list[Need] = field(default_factory=list)
    per_part: float = 0.0
    halt: Halt | None = None
    usage: Mapping[str, int] = field(default_factory=dict)
    groups: dict[str, tuple[str, ...]] = field(default_factory=dict)
    feeding: dict[tuple[str, ...], str] = field(default_factory=dict)
    shown: Tower | None = None

    def adopt(self, recipe: RecipePlan) -> None:
        self.usage = recipe.usage.get(self.plan.station, {})
        together = recipe.alternates.get(self.plan.station, ())
        self.groups = {name: next((g for g in together if name in g), (name,)) for name in self.usage}

    def take_panel(self, takt: float) -> None:
        """Begin a panel that takes ``takt`` seconds of undisturbed work."""
        self.needs = [Need(self.groups[name], parts) for name, parts in self.usage.items() if parts]
        self.per_part = takt / max(1, sum(need.parts for need in self.needs))

    def next_seconds(self) -> float:
        """How long the next need of the panel in work takes."""
        return self.needs[0].parts * self.per_part

    def place(self, rng: random.Random) -> bool:
        """Work off the first need; ``False`` when the group's slots ran empty on it."""
        need = self.needs[0]
        while need.parts:
            slot = self._feeder(need.group)
            if slot is None:
                return False
            need.parts -= slot.pick(need.parts, rng)
        del self.needs[0]
        return True

    def _feeder(self, group: tuple[str, ...]) -> Slot | None:
        """The slot that feeds the group: the one that did, until it is empty, then the next that isn't."""
        now = self.feeding.get(group, group[0])
        if self.slots[now].supply.left > 0:
            return self.slots[now]
        for name in group:
            if self.slots[name].supply.left > 0:
                self.feeding[group] = name
                return self.slots[name]
        return None

    def cannot_begin(self) -> tuple[str, ...]:
        """Trays that by the machine's count can't serve a whole panel: it stops before such a panel, because
        a tray can't be exchanged within one."""
        return tuple(
            name
            for name, parts in self.usage.items()
            if self.slots[name].plan.boundary_only and self.slots[name].supply.counted < parts
        )

    def low(self) -> tuple[str, ...]:
        """Slots in use whose count fell to their threshold."""
        used = {name for group in self.groups.values() for name in group}
        return tuple(
            name
            for name, slot in self.slots.items()
            if name in used and slot.supply.counted <= slot.plan.low_at
        )

    def report(self) -> dict[str, tuple[int, int]]:
        """Totals of the slots that changed since the last report."""
        changed = {
            name: (slot.placed, slot.lost)
            for name, slot in self.slots.items()
            if (slot.placed, slot.lost) != slot.reported
        }
        for name, totals in changed.items():
            self.slots[name].reported = totals
        return changed

    def tower(self) -> Tower:
        """By common practice: yellow flashing is low; yellow flashing and buzzer is out, the station waits;
        red is a fault; green is running, and flashing when it waits for panels, room or a hand."""
        if self.short_of and self.does is not Does.EXCHANGE:
            return Tower(yellow="flashing", buzzer="on", slots=self.short_of)
        low = self.low()
        yellow: Lamp = "flashing" if low else "off"
        if self.does is Does.FAULT:
            return Tower(red="on", yellow=yellow, slots=low)
        idle = self.does is Does.EXCHANGE or self.waiting
        return Tower(yellow=yellow, green="flashing" if idle else "on", slots=low)


def build(plan: StationPlan, rng: random.Random) -> Machine:
    """A machine as the shift finds it: every slot holds its ``first`` quantity."""
    slots = {
        each.slot: Slot(plan=each, supply=Supply(each.first, min(each.first, rng.randint(*each.short))))
        for each in plan.slots
    }
    return Machine(plan=plan, slots=slots)
