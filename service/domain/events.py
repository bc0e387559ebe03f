"""What can happen, as values: the messages of the floor and what people and the clock add.

The shapes are those of the outside contract; ``wire`` makes them from bytes. Unknown keys are ignored,
absent values are ``None``. Nothing here judges whether a message changes anything; that is ``counting``
and ``floor``."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Literal

import msgspec

from service.domain.model import Instant, PlannedStop
from service.domain.state import SupplyState
from service.domain.word import Taught

MOST = 2**53 - 1
Count = Annotated[int, msgspec.Meta(ge=0, le=MOST)]
Text = Annotated[str, msgspec.Meta(max_length=256)]
When = Annotated[datetime, msgspec.Meta(tz=True)] | None
Lamp = Literal["off", "on", "flashing"]
Colour = Literal["red", "yellow", "green", "blue", "white"]
PerPanel = Annotated[float, msgspec.Meta(ge=0, le=1e6)]
Humidity = Annotated[float, msgspec.Meta(ge=0, le=100)]
FloorHours = Annotated[float, msgspec.Meta(gt=0, le=100_000)]


class SlotCount(msgspec.Struct, frozen=True, gc=False):
    """``empty``: picks that found an empty cavity. Nothing was lost, and nothing is learned from them."""

    placed: Count
    lost: Count | None = None
    empty: Count | None = None


class CountMessage(msgspec.Struct, frozen=True):
    slots: dict[str, SlotCount] = {}
    at: When = None
    session: Text | None = None
    seq: Count | None = None
    panels: Count | None = None
    counts: Literal["total", "delta"] = "total"
    mode: Literal["production", "dry", "setup"] = "production"
    lane: Any = None


class SupplyMessage(msgspec.Struct, frozen=True, kw_only=True):
    slot: str
    change: Literal["loaded", "joined", "spliced", "counted", "removed", "undone"]
    at: When = None
    id: Text | None = None
    kind: Literal["tape", "tray", "stick", "bulk"] | None = None
    part: Text | None = None
    lot: Text | None = None
    quantity: Count | None = None
    by: Text | None = None
    supply: Text | None = None
    opened_at: When = None
    moisture_level: Any = None
    floor_hours: Any = None
    trays: Any = None
    grey: Count | None = None
    reason: Text | None = None
    guided: bool = False
    undoes: Text | None = None


class Checked(msgspec.Struct, frozen=True, kw_only=True):
    """Somebody showed the label of a supply before loading it, and the slot doesn't want that part."""

    slot: str
    part: Text
    by: Text
    lot: Text | None = None
    supply: Text | None = None
    quantity: Count | None = None


class RecipeMessage(msgspec.Struct, frozen=True, kw_only=True):
    usage: dict[str, PerPanel]
    recipe: Text | None = None
    at: When = None
    boards_per_panel: Count | None = None
    parts: dict[str, Text] = {}
    alternates: list[list[str]] = []
    active: bool = True


class OrderMessage(msgspec.Struct, frozen=True, kw_only=True):
    state: Literal["queued", "running", "finished", "withdrawn"]
    order: Text | None = None
    recipe: Text | None = None
    panels: Count | None = None
    at: When = None


class TowerMessage(msgspec.Struct, frozen=True, kw_only=True):
    lamps: dict[Colour, Lamp]
    buzzer: Lamp = "off"
    slots: list[str] = []
    at: When = None


class LinkMessage(msgspec.Struct, frozen=True, kw_only=True):
    state: Literal["online", "offline"]
    at: When = None


class PersonAct(msgspec.Struct, frozen=True, kw_only=True):
    """What a person did with a notice. ``until`` in microseconds; ``by`` is who."""

    notice: str
    action: Literal["take", "release", "quiet", "close"]
    by: Text
    panels: Count | None = None
    until: int | None = None
    reason: Text | None = None


class Readied(msgspec.Struct, frozen=True, kw_only=True):
    """Somebody ticked that so many supplies of a part stand ready at a line, not one more: an absolute
    number."""

    part: Annotated[str, msgspec.Meta(min_length=1, max_length=256)]
    kind: Literal["tape", "tray", "stick", "bulk"] | None = None
    supplies: Annotated[int, msgspec.Meta(ge=0, le=9999)]
    by: Text


class PlanKept(msgspec.Struct, frozen=True):
    """From now on a line goes by these stops, soonest first; whatever was planned before is dropped."""

    stops: tuple[PlannedStop, ...]


class SupplyCare(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What was done to a supply that has a name, wherever it is. ``humidity`` in % RH, of a dry cabinet;
    ``moisture_level`` and ``floor_hours`` are those of its label."""

    supply: str
    change: Literal["opened", "sealed", "dry", "out", "baked"]
    at: When = None
    by: Text | None = None
    humidity: Humidity | None = None
    part: Text | None = None
    moisture_level: Any = None
    floor_hours: FloorHours | None = None


class OutletReport(msgspec.Struct, frozen=True, kw_only=True):
    """What became known of an outlet: it keeps failing, it refused for good, it delivers again. ``reason``
    has no secret and no address."""

    outlet: Text
    state: Literal["failing", "gone", "well"]
    reason: Text | None = None


class GatewayReport(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What became known of a source of messages: from now on a station's counts are its (``counts``, told of
    one station), it isn't heard (``silent``, since when, in microseconds), it is again (``well``).
    ``reason`` is one of a few words, none from outside; ``source`` the name in the configuration, ``""`` for
    that of ``[mqtt]``."""

    source: Text
    state: Literal["counts", "silent", "well"]
    since: int | None = None
    reason: Literal["away", "quiet"] | None = None


class Elsewhere(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """What another shard told with its commit number ``position``: supplies that were over at its lines, and
    what it knows of those with a name. ``used``: parts that late counts there say came out of supplies that
    are gone from there; ``left``: what was left in those that somebody loaded elsewhere."""

    shard: Text
    position: Count = 0
    taught: tuple[Taught, ...] = ()
    supplies: tuple[SupplyState, ...] = ()
    used: dict[str, Count] = {}
    left: tuple[SupplyState, ...] = ()


class TimePassed(msgspec.Struct, frozen=True, omit_defaults=True):
    """A moment that mattered came: something quiet until now speaks again, or a station is silent too long.
    ``heard_since`` is since when the floor has been heard without a break; ``None``: it isn't just now.
    ``clock_set``: our clock was, so that what sources' clocks are off by is to be learned anew."""

    heard_since: int | None = None
    clock_set: bool = False


class Refusals(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Of the messages ``heard`` from one place lately too many were refused; or that is ``over``. Where no
    place is known, ``source`` names whose they are in the configuration; ``""``: that of ``[mqtt]``."""

    refused: Count = 0
    heard: Count = 0
    reason: str = ""
    over: bool = False
    source: str = ""


Message = (
    CountMessage
    | SupplyMessage
    | RecipeMessage
    | OrderMessage
    | TowerMessage
    | LinkMessage
    | PersonAct
    | Checked
    | Readied
    | PlanKept
    | SupplyCare
    | TimePassed
    | OutletReport
    | GatewayReport
    | Refusals
    | Elsewhere
)


class JournalEntry(msgspec.Struct, frozen=True, array_like=True, gc=False):
    """One thing that happened, in the order in which it took effect.

    ``kind`` is ``count``, ``supply``, ``recipe``, ``order``, ``tower``, ``link``, ``person``, ``check``,
    ``ready``, ``plan``, ``care``, ``time``, ``outlet``, ``gateway``, ``refusals``, ``elsewhere`` or
    ``settings``; ``subject`` is ``line``, ``line/station`` or ``line/station/…``; ``data`` the JSON object as
    it was received (bytes, valid JSON).
    """

    at: Instant
    kind: str
    subject: str
    data: bytes
    retained: bool = False
