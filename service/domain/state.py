"""What is remembered of lines, stations, slots and supplies: the fold of the journal.

Plain mutable records, stored as they are (field order is the storage format: add new fields at the end,
with a default). Rules live elsewhere; here are only the facts and the names of their keys in the store."""

from __future__ import annotations

import msgspec

from service.domain.model import Instant, Notice


class Order(msgspec.Struct, array_like=True):
    name: str
    recipe: str | None
    panels: int | None
    state: str
    start_seen: bool = False


class LineState(msgspec.Struct, array_like=True):
    """``orders`` in the order in which they were first heard of; ``running`` names one of them."""

    line: str
    orders: dict[str, Order] = {}
    running: str | None = None


class Recipe(msgspec.Struct, array_like=True):
    name: str
    usage: dict[str, float]
    parts: dict[str, str] = {}
    alternates: list[list[str]] = []
    boards_per_panel: int | None = None


class SlotState(msgspec.Struct, array_like=True):
    """One slot and what is loaded in it.

    ``declared`` parts were there when somebody last said so, ``counted`` of them were placed or lost since;
    ``blind`` of the placements came without a word about losses. ``exact``: the declared quantity is a count,
    not a label. ``missing``: parts that counts we never got may have used (only with deltas).
    """

    name: str
    kind: str | None = None
    part: str | None = None
    lot: str | None = None
    supply: str | None = None
    loading: str = "first"
    loaded_at: Instant | None = None
    declared: int | None = None
    counted: int = 0
    blind: int = 0
    exact: bool = False
    assumed: bool = False
    removed: bool = False
    base_placed: int | None = None
    base_lost: int | None = None
    lost_evidence: float = 0.0
    placed_evidence: float = 0.0
    taken: float = 0.0
    missing: float = 0.0
    usage_weights: dict[float, float] = {}
    usage_panels: float = 0.0
    usage_placed: float = 0.0
    reported_panels: int | None = None
    out_since: Instant | None = None
    low_since: Instant | None = None
    held: int = 0
    held_panels: int = 0
    before: int = 0
    fell: int = 0
    supply_ids: list[str] = []
    notice: Notice | None = None
    quiet_until: Instant | None = None
    quiet_to: int | None = None
    pending: int = 0

    @property
    def book(self) -> int | None:
        """Plain arithmetic: what was declared minus what was counted."""
        return None if self.declared is None else self.declared - self.counted


class TowerState(msgspec.Struct, array_like=True):
    lamps: dict[str, str]
    buzzer: str
    slots: list[str]
    reading: str
    since: Instant


class StationState(msgspec.Struct, array_like=True):
    """One station. ``progress`` counts its panels for ever, ``panels`` is the last total it said;
    ``order_done`` the panels since its running order began; ``resting``: the orders are done and nothing was
    placed since."""

    line: str
    station: str
    slots: dict[str, SlotState] = {}
    session: str | None = None
    heard: bool = False
    replaced: list[str] = []
    seq: int | None = None
    holes: list[tuple[int, int]] = []
    uncertain_since: Instant | None = None
    last_at: Instant | None = None
    panels: int | None = None
    progress: int = 0
    progress_estimated: bool = False
    order: str | None = None
    order_done: int = 0
    order_start_seen: bool = False
    resting: bool = False
    recipes: dict[str, Recipe] = {}
    last_active: str | None = None
    takts: list[float] = []
    panel_at: Instant | None = None
    count_skew: Instant | None = None
    supply_skew: Instant | None = None
    clock_flagged: bool = False
    tower: TowerState | None = None
    link: str | None = None
    link_since: Instant | None = None
    counted_at: Instant | None = None
    counted_session: str | None = None
    counted_seq: int | None = None
    in_full: bool = False
    part_of_panel: float = 0.0


class SupplyState(msgspec.Struct, array_like=True):
    """A reel or tray that has a name: what it is, what is believed left, and where it is loaded."""

    name: str
    kind: str | None = None
    part: str | None = None
    lot: str | None = None
    left: int | None = None
    where: tuple[str, str, str] | None = None


def station_key(line: str, station: str) -> str:
    return f"station/{line}/{station}"


def line_key(line: str) -> str:
    return f"line/{line}"


def supply_key(name: str) -> str:
    return f"supply/{name}"


SITE_KEY = "site"
