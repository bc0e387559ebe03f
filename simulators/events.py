"""What happens on a simulated line, as values.

``at`` is seconds since the line's shift began. The first group is what a gateway tells the world; the second
is the truth that no machine knows, for the ledger.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

Lamp = Literal["off", "on", "flashing"]
Cause = Literal["supply", "fault", "exchange", "held", "starved", "no order", "break", "wipe", "paste"]
Learned = Literal["warning", "reminder", "tower", "buzzer", "plan"]
Level = Literal["early", "urgent", "empty"]
Change = Literal["loaded", "joined"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecipeSet:
    """A station knows a recipe; ``active`` when it is the one it runs."""

    at: float
    station: str
    recipe: str
    boards_per_panel: int
    usage: Mapping[str, int]
    parts: Mapping[str, str]
    alternates: tuple[tuple[str, ...], ...]
    active: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderSet:
    """The n-th order of the shift entered a state."""

    at: float
    number: int
    recipe: str
    panels: int
    state: Literal["queued", "running", "finished"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Supplied:
    """Said at ``at`` of what happened at ``moment``, as far as whoever says it knows. ``supply`` names the
    very reel or stack of trays."""

    at: float
    moment: float
    station: str
    slot: str
    change: Change
    kind: str
    part: str
    lot: str
    supply: str
    trays: int
    quantity: int
    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """Totals since the shift began, (placed, lost), of the slots that changed since the last one; since the
    gateway's last restart, where it has a ``life`` of that name."""

    at: float
    station: str
    panels: int
    slots: Mapping[str, tuple[int, int]]
    life: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tower:
    red: Lamp = "off"
    yellow: Lamp = "off"
    green: Lamp = "off"
    buzzer: Lamp = "off"
    slots: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class TowerShown:
    at: float
    station: str
    tower: Tower


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonSent:
    """Somebody set out with a new supply and will be there at ``due``."""

    at: float
    station: str
    slot: str
    person: str
    learned: Learned
    due: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanOpened:
    """Somebody looks at the plan of the line, on a phone."""

    at: float
    person: str


@dataclass(frozen=True, slots=True, kw_only=True)
class InHand:
    """Who read a warning has what it is about in hand already, by the plan, and says so."""

    at: float
    station: str
    slot: str
    person: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StandsReady:
    """Somebody ticks that so many supplies of the part stand ready at the line, not one more."""

    at: float
    part: str
    kind: Literal["tape", "tray"]
    supplies: int
    person: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Refilled:
    """A slot got a new supply, whoever hears of it. ``quantity`` is what its label says. ``confirmed_at`` is
    when the person says so, by message or tap; ``None`` when never."""

    at: float
    station: str
    slot: str
    person: str
    supply: str
    quantity: int
    part: str
    kind: str
    change: Change
    confirmed_at: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Confirmed:
    """Where gateways say no supplies: a person taps that the slot was refilled at ``moment``."""

    at: float
    moment: float
    station: str
    slot: str
    person: str
    quantity: int
    part: str
    kind: str
    change: Change


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelMade:
    """A panel left the station's table. By slot: parts really left, what the machine believes, how many its
    supply lost without being counted, and how many never were in it. ``counted = left + unseen + short``."""

    at: float
    station: str
    panels: int
    left: Mapping[str, int]
    counted: Mapping[str, int]
    unseen: Mapping[str, int]
    short: Mapping[str, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelPulled:
    """Taken out unfinished, because a tray ran out on it and trays are exchanged between panels only."""

    at: float
    station: str
    slot: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Stopped:
    """A station stood still from ``since`` to ``at``."""

    at: float
    station: str
    cause: Cause
    slot: str | None
    since: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyEnded:
    """What a slot's loading really was: ``label = placed + lost + left + short``. ``left`` came out with it,
    to be used again where it is ``kept``; ``short`` never existed; the machine didn't count ``unseen`` of
    the lost."""

    at: float
    station: str
    slot: str
    kind: str
    supply: str
    label: int
    placed: int
    lost: int
    left: int
    short: int
    unseen: int
    kept: bool


Told = RecipeSet | OrderSet | Supplied | Counted | TowerShown
Truth = PersonSent | Refilled | Confirmed | PanelMade | PanelPulled | Stopped | SupplyEnded
ByPlan = PlanOpened | InHand | StandsReady
"""What people do with the page of a plan."""
Event = Told | Truth | ByPlan
