"""One placement machine: its supplies, its picks, its counters and what its tower shows.

Knows nothing of the clock, of other stations or of people; ``station`` moves it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum, auto

from simulators.conveyor import Panel
from simulators.events import Lamp, Tower
from simulators.losses import Losses
from simulators.plan import RecipePlan, SlotPlan, StationPlan
from simulators.store import Supply


class Does(Enum):
    """``BOUNDARY``: the last panel is complete and the next has not begun."""

    BOUNDARY = auto()
    WORKING = auto()
    OUT = auto()
    FAULT = auto()
    EXCHANGE = auto()


@dataclass(slots=True)
class Slot:
    plan: SlotPlan
    supply: Supply
    losses: Losses
    placed: int = 0
    lost: int = 0
    reported: tuple[int, int] = (0, 0)

    @property
    def boundary_only(self) -> bool:
        """Whether its supply may be exchanged between two panels only."""
        return self.supply.part.kind == "tray"

    def pick(self, need: int) -> int:
        """Place ``need`` parts, or as many as are there; how many were placed."""
        placed, lost, unseen = self.losses.pick(need, self.supply.left, self.supply.part.loss)
        self.supply.placed += placed
        self.supply.lost += lost
        self.supply.unseen += unseen
        self.placed += placed
        self.lost += lost - unseen
        return placed


@dataclass(slots=True)
class Need:
    """What one group of alternating slots still owes the panel in work."""

    group: tuple[str, ...]
    parts: int


@dataclass(slots=True)
class Machine:
    plan: StationPlan
    slots: dict[str, Slot]
    does: Does = Does.BOUNDARY
    panels: int = 0
    panel: Panel | None = None
    """The one in work, or complete."""
    holds: bool = False
    """A complete panel stands in it, because there is no room behind."""
    short_of: tuple[str, ...] = ()
    """Slots it waits for, in the middle of a panel (``OUT``) or before it begins one."""
    waiting: bool = False
    """Has had nothing to do for long enough to show it."""
    needs: list[Need] = field(default_factory=list)
    per_part: float = 0.0
    usage: Mapping[str, int] = field(default_factory=dict)
    groups: dict[str, tuple[str, ...]] = field(default_factory=dict)
    feeding: dict[tuple[str, ...], str] = field(default_factory=dict)
    shown: Tower | None = None

    def adopt(self, recipe: RecipePlan) -> None:
        self.usage = recipe.usage.get(self.plan.station, {})
        together = recipe.alternates.get(self.plan.station, ())
        self.groups = {name: next((g for g in together if name in g), (name,)) for name in self.usage}

    def take_panel(self, panel: Panel, takt: float) -> None:
        """Begin a panel; a whole one takes ``takt`` seconds of undisturbed work, skipped boards take none."""
        self.panel = panel
        shares = ((name, panel.share(parts)) for name, parts in self.usage.items())
        self.needs = [Need(self.groups[name], parts) for name, parts in shares if parts]
        self.per_part = takt / max(1, sum(self.usage.values()))
        for slot in self.slots.values():
            slot.losses.next_panel()

    def next_seconds(self) -> float:
        """How long the next need of the panel in work takes."""
        return self.needs[0].parts * self.per_part if self.needs else 0.0

    def place(self) -> bool:
        """Work off the first need; ``False`` when the group's slots ran empty on it."""
        if not self.needs:
            return True
        need = self.needs[0]
        while need.parts:
            slot = self._feeder(need.group)
            if slot is None:
                return False
            need.parts -= slot.pick(need.parts)
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
            if self.slots[name].boundary_only and self.slots[name].supply.counted < parts
        )

    def usage_of(self, slot: str) -> int:
        """Parts a panel that the slot may have to feed, alone or for its group."""
        return max((self.usage[name] for name, group in self.groups.items() if slot in group), default=0)

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
