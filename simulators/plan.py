"""What a plant is made of: parts, machines, recipes, people, gateways. The numbers stand in a scenario's
file.

Times are seconds unless a name says minutes, distances metres, chances are per pick, panel or message. A
field here is a key there; knows nothing of files.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, StringConstraints

Name = Annotated[str, StringConstraints(pattern=r"^[\w.-]{1,64}$")]
Share = Annotated[float, Field(ge=0, le=1)]
Whole = Annotated[int, Field(ge=0)]
Count = Annotated[int, Field(ge=1)]
Seconds = Annotated[float, Field(ge=0)]


def _in_order(span: tuple[float, float]) -> tuple[float, float]:
    if span[0] > span[1]:
        raise ValueError(f"{span[0]} is more than {span[1]}")
    return span


Range = Annotated[tuple[Seconds, Seconds], AfterValidator(_in_order)]
"""From and to; a value between is drawn evenly."""
Position = tuple[float, float]
Kind = Literal["tape", "tray"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PartPlan:
    """``full`` parts come on a new supply, a stack of ``trays``; between ``short[0]`` and ``short[1]`` of
    them are missing from what the label says. ``loss`` is the usual share of picks that is not placed."""

    part: str
    full: Count
    kind: Kind = "tape"
    trays: Count = 1
    loss: Share = 0.003
    short: tuple[Whole, Whole] = (0, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotPlan:
    """One place for a supply. ``part`` and ``first`` are what it holds when the shift begins; the machine
    calls it low at ``low_at`` parts."""

    slot: Name
    part: str
    first: Whole
    low_at: Whole


@dataclass(frozen=True, slots=True, kw_only=True)
class WearPlan:
    """How a slot's losses change. ``drift`` is how far the log odds wander in a thousand panels; ``worn`` is
    the chance per panel that a nozzle wears, which multiplies the odds until it is cleaned; ``unseen`` the
    share of lost parts that the machine doesn't count, as when somebody moves a tape on by hand."""

    drift: Annotated[float, Field(ge=0)] = 0.0
    worn: Share = 0.0
    factor: Range = (5.0, 10.0)
    minutes: Range = (4.0, 15.0)
    unseen: Share = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class StationPlan:
    """A placement machine. ``room`` is how many panels fit between it and what is before it."""

    station: Name
    slots: tuple[SlotPlan, ...]
    takt: Annotated[float, Field(gt=0)]
    takt_sigma: Annotated[float, Field(ge=0)] = 0.04
    stop_chance: Share = 0.012
    stop_seconds: Range = (8.0, 45.0)
    room: Count = 3
    position: Position = (0.0, 0.0)
    wear: WearPlan = field(default_factory=WearPlan)


@dataclass(frozen=True, slots=True, kw_only=True)
class PrinterPlan:
    """A stencil printer before the stations: wipes its stencil every so many panels, wants paste every so
    many."""

    station: Name = "PRINT"
    cycle: Annotated[float, Field(gt=0)]
    cycle_sigma: Annotated[float, Field(ge=0)] = 0.03
    stop_chance: Share = 0.0
    stop_seconds: Range = (10.0, 60.0)
    wipe_every: Count = 10
    wipe: Range = (15.0, 25.0)
    paste_every: Count = 250
    paste: Range = (90.0, 180.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class OvenPlan:
    """A reflow oven after the stations: never holds; a panel is through after ``transit``."""

    station: Name = "OVEN"
    transit: Seconds


@dataclass(frozen=True, slots=True, kw_only=True)
class RecipePlan:
    """``usage``, ``parts`` and ``alternates`` by station. ``parts`` names what a slot must hold where that
    isn't its usual part; slots listed together in ``alternates`` feed one another's placements, counted under
    the one that ``usage`` names. ``bad_boards`` is the chance that a board of a panel is skipped."""

    recipe: Name
    boards_per_panel: Count
    usage: Mapping[str, Mapping[str, Whole]]
    parts: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    alternates: Mapping[str, tuple[tuple[str, ...], ...]] = field(default_factory=dict)
    bad_boards: Share = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class BreakPlan:
    """From so many minutes after the shift's begin, for so many minutes."""

    at: Annotated[float, Field(ge=0)]
    minutes: Annotated[float, Field(gt=0)]


@dataclass(frozen=True, slots=True, kw_only=True)
class LinePlan:
    """During its ``breaks`` a line takes no new panel, unless it ``runs_through``. A changeover takes
    ``per_exchange`` seconds more for each supply that the next recipe wants otherwise."""

    line: Name
    stations: tuple[StationPlan, ...]
    recipes: tuple[RecipePlan, ...]
    order_panels: tuple[Count, Count]
    changeover: Range = (90.0, 180.0)
    per_exchange: Seconds = 0.0
    queued_ahead: Whole = 2
    printer: PrinterPlan | None = None
    oven: OvenPlan | None = None
    breaks: tuple[BreakPlan, ...] = ()
    runs_through: bool = False

    def named(self, line: str) -> LinePlan:
        """The same line under another name."""
        return replace(self, line=line)


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfirmPlan:
    """What becomes of telling that a supply was exchanged: said ``at_once`` or ``late`` by a drawn delay,
    else never. ``true_moment`` is the share of late ones that give the moment of the exchange, not of the
    tap."""

    at_once: Share = 1.0
    late: Share = 0.0
    late_by: Range = (60.0, 900.0)
    true_moment: Share = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftPlan:
    """Who is there from the minute ``at`` of each day, counted from the scenario's beginning, for so many
    ``minutes``. Breaks are the first person's, from the beginning of the shift; each next one goes
    ``stagger`` minutes later."""

    names: tuple[str, ...]
    at: Annotated[float, Field(ge=0, lt=1440)]
    minutes: Annotated[float, Field(gt=0, le=1440)]
    breaks: tuple[BreakPlan, ...] = ()
    stagger: Annotated[float, Field(ge=0)] = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FollowPlan:
    """How those who have a line go by the plan that is shown of it. ``lines`` names them, each in the own
    shift; who stands ``beside`` goes by it while they are away.

    Whoever is free ``looks`` so many seconds after the last look, ``reads`` it, and ``forgets`` at that share
    of looks to do anything of it. What is due within ``ahead`` seconds and not there is fetched, and with it
    what is due within ``near``, up to what one ``carries``; at that share of times one ``ticks`` what stands
    ready. What needs no stop is done when it is due ``soon``, before the plan would have it only when due
    within a ``hurry``. For a stop one is there ``early``, ``glances`` at the plan, and ``counts`` so many
    last panels."""

    lines: Mapping[str, tuple[str, ...]]
    beside: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    looks: Range = (120.0, 480.0)
    reads: Range = (5.0, 20.0)
    forgets: Share = 0.1
    ahead: Seconds = 1200.0
    near: Seconds = 1800.0
    carries: Count = 4
    soon: Seconds = 480.0
    early: Range = (60.0, 180.0)
    hurry: Seconds = 240.0
    glances: Range = (15.0, 40.0)
    counts: Count = 3
    ticks: Share = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class PeoplePlan:
    """One crew of operators for all lines, each with one errand at a time. Who is in one of the ``shifts`` is
    there only then, day by day.

    ``notices`` a flashing lamp, ``hears`` a buzzer: how long until somebody who is free does; ``looks`` at
    the machine to see which slot it is; ``reads`` a warning and sets out, unless it is among those that the
    share ``ignores`` says nobody acts on; ``searches`` the store for each supply. ``breaks`` are the first
    person's, each next one goes ``stagger`` minutes later. A remnant below the share ``keeps`` of a full
    supply isn't worth setting up again: it doesn't come back. ``setter`` exchanges supplies at
    changeovers. ``follows``: how they go by a plan, where they are shown one."""

    names: tuple[str, ...]
    setter: str = "set-up"
    store: Position = (0.0, 0.0)
    walk: Annotated[float, Field(gt=0)] = 1.2
    notices: Range = (20.0, 180.0)
    hears: Range = (5.0, 45.0)
    looks: Range = (8.0, 20.0)
    reads: Range = (10.0, 60.0)
    ignores: Share = 0.1
    searches: Range = (20.0, 60.0)
    exchange: Range = (20.0, 45.0)
    splices: Share = 0.3
    keeps: Share = 0.15
    breaks: tuple[BreakPlan, ...] = ()
    stagger: Annotated[float, Field(ge=0)] = 0.0
    shifts: tuple[ShiftPlan, ...] = ()
    confirms: ConfirmPlan = field(default_factory=ConfirmPlan)
    follows: FollowPlan | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GatewayPlan:
    """What goes wrong between the machines and the broker, as shares of messages. ``skew`` is how many
    seconds all clocks are ahead, ``clock_lies`` by how many more those of single stations (``"L1/P2"``) are;
    ``tower_dropout`` the share of tower messages that never come."""

    repeat: Share = 0.0
    reorder: Share = 0.0
    window: Count = 5
    lose: Share = 0.0
    restart: Share = 0.0
    skew: float = 0.0
    clock_lies: Mapping[str, float] = field(default_factory=dict)
    tower_dropout: Share = 0.0
