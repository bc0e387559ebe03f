"""What the crew goes between: the people, the stations, and what is known of a station's slots."""

from __future__ import annotations

from dataclasses import dataclass, field

from simulators.agenda import Voice
from simulators.events import Learned
from simulators.loading import Loading
from simulators.plan import Position
from simulators.store import Supply

Post = tuple[str, str]
"""Line and station."""


@dataclass(slots=True)
class Operator:
    name: str
    at: Position
    busy: bool = False
    away_for: float = 0.0
    """Seconds of a break that began during an errand."""
    home_until: float = 0.0
    break_until: float = 0.0

    def is_away(self, now: float) -> bool:
        """In a break or at home."""
        return now < max(self.home_until, self.break_until)


@dataclass(frozen=True, slots=True)
class Warned:
    """What a warning said of a slot. Only those who ``know`` can act on it; ``None``: everybody does."""

    rank: int
    learned: Learned
    know: frozenset[str] | None

    def is_known_to(self, operator: Operator) -> bool:
        return self.know is None or operator.name in self.know


@dataclass(slots=True)
class Place:
    """One station with its people's knowledge of it: which slots somebody is bringing a supply for, whether
    somebody is on the way to look, what its tower was seen to show, what warnings named."""

    post: Post
    loading: Loading
    position: Position
    agenda: Voice
    fetched: set[str] = field(default_factory=set)
    looked_at: bool = False
    sign: int | None = None
    warned: dict[str, Warned] = field(default_factory=dict)
    stands: dict[str, Supply] = field(default_factory=dict)
    """Supplies that stand ready beside the station, by slot."""

    def everybody_knows(self, slot: str) -> bool:
        return slot in self.warned and self.warned[slot].know is None

    @property
    def panels(self) -> int:
        """What the counter of the station shows."""
        return self.loading.station.machine.panels

    def take(self, slot: str) -> Supply:
        """What stands ready for the slot, else one from the store."""
        return self.stands.pop(slot) if slot in self.stands else self.loading.fetch(slot)

    def unattended(self) -> list[str]:
        """Slots that the machine shows and nobody has in hand. A tray that stands ready is left to whoever
        goes by the plan until the machine waits for it; a tape is spliced by whoever sees the lamp."""
        machine = self.loading.station.machine
        return [
            slot
            for slot in self.loading.shown()
            if slot not in self.fetched
            and (slot not in self.stands or slot in machine.short_of or not machine.slots[slot].boundary_only)
        ]
