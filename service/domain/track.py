"""What a stretch of time looked like, as values: the ground on which a review stands.

Read from a recording once (``usecases.observe``), in order of what happened. Moments are by the sources' own
clocks where those are believed, corrected to ours, else by when the word came. Whose fault a stop was is
``stops``' business.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TypeVar

from service.domain.history import Outcome
from service.domain.model import Instant, PlannedStop, milliseconds
from service.domain.notices import Told
from service.domain.policy import Policy
from service.domain.said import Said


class Cause(StrEnum):
    """Why a station stood. ``held``: what it made wasn't taken by a later station; ``starved``: nothing came
    from an earlier one; ``exchange``: a supply was exchanged on purpose, between two panels; ``rest``: the
    calendar says so; ``unheard``: nothing was heard of it, so nobody knows whether it stood."""

    SUPPLY = "supply"
    FAULT = "fault"
    HELD = "held"
    STARVED = "starved"
    EXCHANGE = "exchange"
    CHANGEOVER = "changeover"
    NO_ORDER = "no order"
    REST = "rest"
    UNHEARD = "unheard"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class TowerShown:
    """``reading`` is one of ``tower.Reading``, by the rule in force."""

    at: Instant
    reading: str
    lamps: Mapping[str, str]
    slots: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Used:
    """Parts placed and lost since the count before. ``lost`` ``None``: nobody said."""

    placed: int
    lost: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Counted:
    """``panels``: the station's ``progress``, counted for ever; equal to the one before: no panel was
    complete."""

    at: Instant
    panels: int
    used: Mapping[str, Used]


@dataclass(frozen=True, slots=True, kw_only=True)
class Supplied:
    """``change`` as in a supply message, or ``believed``: a refill that nobody reported. ``left`` is what the
    books said was left before."""

    at: Instant
    slot: str
    change: str
    part: str | None
    kind: str | None
    lot: str | None
    left: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkShown:
    at: Instant
    state: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RecipeSet:
    """The recipe that rules at the station from then on, and the parts a panel that it takes."""

    at: Instant
    recipe: str | None
    usage: Mapping[str, float]


Row = TypeVar("Row", TowerShown, LinkShown, RecipeSet)


def held(rows: Sequence[Row], until: Instant) -> Iterator[tuple[Row, Instant]]:
    """Each with the moment until which it holds: that of the next one."""
    return zip(rows, [*(each.at for each in rows[1:]), until], strict=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderSet:
    """The state of an order from then on, as ``orders`` decided."""

    at: Instant
    order: str
    recipe: str | None
    panels: int | None
    state: str


@dataclass(slots=True, kw_only=True)
class StationTrack:
    """The first of ``towers``, ``links`` and ``recipes`` may be what held when the time began (``at`` is then
    its begin)."""

    line: str
    station: str
    progress: int = 0
    towers: list[TowerShown] = field(default_factory=list)
    counts: list[Counted] = field(default_factory=list)
    supplies: list[Supplied] = field(default_factory=list)
    links: list[LinkShown] = field(default_factory=list)
    recipes: list[RecipeSet] = field(default_factory=list)
    parts: dict[str, tuple[str | None, str | None]] = field(default_factory=dict)
    """Part and kind of each slot, as last known."""


@dataclass(slots=True, kw_only=True)
class LineTrack:
    line: str
    stations: dict[str, StationTrack] = field(default_factory=dict)
    orders: list[OrderSet] = field(default_factory=list)
    plans: list[tuple[Instant, tuple[PlannedStop, ...]]] = field(default_factory=list)
    """Each plan that was kept, from its moment on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Acted:
    """What a person did with a notice: ``take``, ``release``, ``quiet``, ``close``."""

    at: Instant
    notice: str
    action: str
    by: str


@dataclass(slots=True, kw_only=True)
class Track:
    """From ``since`` to ``until`` (not including). ``policies``: the settings in force, first those at the
    beginning. ``outcomes``: what became known of warnings meanwhile, with the kind of supply. ``entries``:
    of the journal, ``messages`` of them from the floor."""

    since: Instant
    until: Instant
    site: str = ""
    lines: dict[str, LineTrack] = field(default_factory=dict)
    told: list[tuple[Instant, Told]] = field(default_factory=list)
    acts: list[Acted] = field(default_factory=list)
    outcomes: list[tuple[str | None, Outcome]] = field(default_factory=list)
    policies: list[tuple[Instant, Policy]] = field(default_factory=list)
    entries: int = 0
    messages: int = 0

    @property
    def policy(self) -> Policy:
        """The settings in force at the end."""
        return self.policies[-1][1] if self.policies else Policy()


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """A station stood from ``since`` to ``until``. ``slot``, ``part``, ``kind``: of the supply, where one was
    why. ``because_of``: the station further on (``held``) or before (``starved``) that stood first, as far as
    that is known. ``confidence`` from 0 to 1; ``evidence``: what speaks for the cause, strongest first."""

    line: str
    station: str
    since: Instant
    until: Instant
    cause: Cause
    confidence: float
    evidence: tuple[Said, ...] = ()
    slot: str | None = None
    part: str | None = None
    kind: str | None = None
    because_of: str | None = None

    @property
    def blamed(self) -> bool:
        """Whether this very station made the line lose time."""
        return self.cause in _OWN


_OWN = frozenset({Cause.SUPPLY, Cause.FAULT, Cause.EXCHANGE, Cause.UNKNOWN})


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A piece of a station's time; without ``stop`` it worked. Those of a station follow one another without
    a gap over the whole time."""

    since: Instant
    until: Instant
    stop: Stop | None = None

    @property
    def cause(self) -> Cause | None:
        return None if self.stop is None else self.stop.cause

    @property
    def milliseconds(self) -> int:
        return milliseconds(self.since, self.until)
