"""What is remembered of lines, stations, slots and supplies: the fold of the journal.

Plain mutable records, stored as they are (field order is the storage format: add new fields at the end,
with a default). Rules live elsewhere; here are only the facts and the names of their keys in the store."""

from __future__ import annotations

import msgspec

from service.domain.heard import Source, SourceClock, TowerState
from service.domain.history import Booked, Outcome, Warned
from service.domain.model import Instant, Notice, PlannedStop
from service.domain.moisture import Exposure
from service.domain.trays import Stack


class Order(msgspec.Struct, array_like=True):
    """``said`` and ``said_at`` are what its last message said; ``state`` may have changed since, because
    another order began."""

    name: str
    recipe: str | None
    panels: int | None
    state: str
    start_seen: bool = False
    said: str | None = None
    said_at: Instant | None = None


class Ready(msgspec.Struct, array_like=True):
    """So many ``supplies`` of a part stand ready at the line, as somebody said last."""

    part: str
    kind: str | None
    supplies: int
    by: str
    at: Instant


class KeptPlan(msgspec.Struct, array_like=True, frozen=True):
    """The stops that a line goes by ``since`` then, soonest first."""

    since: Instant
    stops: tuple[PlannedStop, ...]


class LineState(msgspec.Struct, array_like=True):
    """``orders`` in the order in which they were first heard of; ``running`` names one of them."""

    line: str
    orders: dict[str, Order] = {}
    running: str | None = None
    ready: list[Ready] = []
    plan: KeptPlan | None = None

    @property
    def running_order(self) -> Order | None:
        return self.orders.get(self.running) if self.running is not None else None


class Recipe(msgspec.Struct, array_like=True):
    name: str
    usage: dict[str, float]
    parts: dict[str, str] = {}
    alternates: list[list[str]] = []
    boards_per_panel: int | None = None
    at: Instant | None = None


class Call(msgspec.Struct, array_like=True, frozen=True):
    """Since when (and at which ``progress`` of the station) a notice calls for somebody who takes it;
    ``escalated`` others had been told by then."""

    since: Instant
    progress: int
    escalated: int = 0


class Exchanged(msgspec.Struct, array_like=True, kw_only=True):
    """The last exchange of a slot, while it can be undone: ``before`` is the slot as it was (packed, because
    each count writes it again), ``supplies`` the named ones that it concerned and ``other`` the slot that the
    new one came out of, as they were; ``ended`` the notices beside the slot's own that it ended, ``booked``
    and ``outcomes`` what it taught, by kind. ``ready``: part and kind of what stood ready and was used.

    ``loading``, ``counted``, ``blind``, ``lost``, ``earlier`` (of the loading before) are the slot's right
    after it: what is more since was used since."""

    event: str
    at: Instant
    loading: str
    before: bytes
    by: str | None = None
    supply: str | None = None
    quantity: int | None = None
    counted: int = 0
    blind: int = 0
    lost: int = 0
    earlier: int = 0
    supplies: list[SupplyState] = []
    other: tuple[str, str, SlotState] | None = None
    other_loading: str | None = None
    ended: list[Standing] = []
    booked: list[Booked] = []
    outcomes: list[tuple[str | None, Outcome]] = []
    ready: tuple[str, str | None] | None = None


class SlotState(msgspec.Struct, array_like=True):
    """One slot and what is loaded in it.

    ``declared`` parts were there when somebody last said so, ``counted`` of them were placed or lost since;
    ``blind`` of the placements came without a word about losses. ``exact``: the declared quantity is a count,
    not a label. ``missing``: parts that counts we never got may have used (only with deltas). ``loaded_at``:
    since when that holds; counts of an earlier moment belong to the loading before. ``unsaid``: placements
    since somebody last said what was lost. ``held``: parts used since the supply was removed or out, which
    prove a refill. ``told_left``: what the books said was left when people were first told of it;
    ``low_ended``: what was counted when the low signal stopped naming it; ``unseen``: parts that may have
    gone before a refill was seen, anything from none to all; ``refilled_unsaid``: when a refill was believed
    that nobody has put a word to yet; ``low_books``: what the books said at the last low signals.

    ``lost`` of ``counted`` were lost; ``burst`` of them lately (faded within some forty parts), as of
    ``burst_at`` counted. ``partial``: it was used before, and somebody said how much is left.
    ``low_counted``: what was counted when the low signal began; ``sensor_marks``: the parts that were used
    between a sensor's low and the out signal. ``ahead``: what was joined behind the tape that feeds, as far
    as no joint was seen to pass; ``joints``: so many labels more than one err in ``declared``; ``grey``:
    parts after a joint of which nobody knows from which tape they are. ``usage_off``: reports in a row that
    disagree with the recipe, which said ``usage_said`` when they began to. ``warned``:
    the forecast that went with the first warning of this emptying, until it is known how it went.
    ``exchanged``: its last exchange, while it can be undone. ``used``: parts that it ever gave, but for those
    of ``before``; nothing sets it back.

    ``tray``: how the trays in it are divided; ``empty`` of their cavities held no part since the quantity was
    said. ``exposure``: how its supply lay open; looked at at ``aged_at``, again at ``age_at``, told of at the
    level ``aged_told``. ``anew``: counted and well since a person closed its notice.
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
    usage_reports: dict[float, float] = {}
    learned: float | None = None
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
    pending_panels: int = 0
    unsaid: int = 0
    supply_before: str | None = None
    told_left: int | None = None
    low_ended: int | None = None
    unseen: float = 0.0
    refilled_unsaid: Instant | None = None
    low_books: list[int] = []
    lost: int = 0
    burst: float = 0.0
    burst_at: int = 0
    partial: bool = False
    low_counted: int | None = None
    sensor_marks: list[int] = []
    ahead: list[int] = []
    grey: int = 0
    joints: int = 0
    usage_off: int = 0
    warned: Warned | None = None
    usage_said: float | None = None
    call: Call | None = None
    tray: Stack | None = None
    empty: int = 0
    base_empty: int | None = None
    exposure: Exposure | None = None
    aged_at: Instant | None = None
    age_at: Instant | None = None
    aged_told: str | None = None
    used: int = 0
    exchanged: Exchanged | None = None
    anew: bool = False

    @property
    def book(self) -> int | None:
        """Plain arithmetic: what was declared minus what was counted."""
        return None if self.declared is None else self.declared - self.counted

    @property
    def grey_zone(self) -> int:
        """Parts still to come of which nobody knows from which of two joined tapes they are."""
        return max(0, self.grey - self.counted)


class Standing(msgspec.Struct, array_like=True):
    """A notice that isn't about the emptying of a slot, such as a question; it is forgotten when it ends."""

    notice: Notice | None
    quiet_until: Instant | None = None
    quiet_to: int | None = None
    call: Call | None = None


class StationState(msgspec.Struct, array_like=True):
    """One station. ``progress`` counts its panels for ever, ``panels`` is the last total it said;
    ``order_done`` the panels since its running order began; ``rests_since``: when the orders were done,
    nothing was placed since.

    ``holes`` are runs of ``seq`` that are missing, ``unheard`` those before the first one heard in a session
    that may never have been. ``uncertain_since``: counts are missing that some slot's quantity doesn't know
    of; ``given_up``: some of them can't come any more. ``silence_told``: the beginning of the silence that
    people know of.
    ``skips``: the share of its placements that each of the last panels skipped, in 1/255, newest last;
    ``takt_blocks`` and ``takt_block`` are ``pace``'s. ``undoable`` names the slots whose last exchange is
    kept as ``exchanged``; ``source`` is where its counts come from; ``last_delta`` marks the last one.
    """

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
    rests_since: Instant | None = None
    recipes: dict[str, Recipe] = {}
    last_active: str | None = None
    takts: list[float] = []
    panel_at: Instant | None = None
    clocks: dict[str, SourceClock] = {}
    tower: TowerState | None = None
    link: str | None = None
    link_since: Instant | None = None
    counted_at: Instant | None = None
    counted_session: str | None = None
    counted_seq: int | None = None
    in_full: bool = False
    part_of_panel: float = 0.0
    unheard: list[tuple[int, int]] = []
    given_up: bool = False
    silence_told: Instant | None = None
    skips: bytes = b""
    takt_blocks: bytes = b""
    takt_block: list[float] = []
    undoable: list[str] = []
    source: Source = Source()
    last_delta: int | None = None

    @property
    def clock_flagged(self) -> bool:
        """Whether a source's last message had a time that isn't believed."""
        return any(clock.flagged for clock in self.clocks.values())

    @property
    def resting(self) -> bool:
        return self.rests_since is not None


class Stock(msgspec.Struct, array_like=True):
    """What is believed of a supply's quantity, wherever it is; the fields mean what they mean in a slot."""

    declared: int
    counted: int = 0
    blind: int = 0
    exact: bool = False
    assumed: bool = False
    missing: float = 0.0
    unseen: float = 0.0
    lost: int = 0
    partial: bool = False


class SupplyState(msgspec.Struct, array_like=True):
    """A reel or tray that has a name: what it is, where it is loaded (its quantity, exposure and cells are
    then the slot's), and otherwise what was left in it. Known as of ``at``, lying where it lies since it
    ``moved``; ``shard``: the other shard that said so. ``owed``: what was believed to be left in it when it
    was loaded here, as long as another shard may know better."""

    name: str
    kind: str | None = None
    part: str | None = None
    lot: str | None = None
    stock: Stock | None = None
    where: tuple[str, str, str] | None = None
    exposure: Exposure | None = None
    tray: Stack | None = None
    empty: int = 0
    at: Instant | None = None
    moved: Instant | None = None
    shard: str | None = None
    owed: Stock | None = None

    @property
    def is_used_up(self) -> bool:
        if self.where is not None or self.owed is not None or self.stock is None:
            return False
        return self.stock.declared <= self.stock.counted


def station_key(line: str, station: str) -> str:
    return f"station/{line}/{station}"


def place_of(key: str) -> tuple[str, str] | None:
    """(line, station) of a station's key; ``None`` for the key of anything else."""
    kind, _, rest = key.partition("/")
    line, _, station = rest.partition("/")
    return (line, station) if kind == "station" else None


def line_key(line: str) -> str:
    return f"line/{line}"


def supply_key(name: str) -> str:
    return f"supply/{name}"


def notice_key(name: str) -> str:
    return f"notice/{name}"


SITE_KEY = "site"
