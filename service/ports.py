"""What the use cases ask of the outside: stores and outlets, with their contracts in prose.

Nothing here does anything; adapters implement these and pass the contract suites in ``tests/contract``.
All instants are integer microseconds UTC (``domain.model.Instant``).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal, Protocol

from service.domain.events import JournalEntry
from service.domain.hourly import LineHour
from service.domain.lots import NOTHING, Placed, Remembered, RunAt
from service.domain.model import Change, Instant, Notice
from service.domain.traffic import Pace, Traffic
from service.lease import Answered
from service.outgoing import DeliveryRow, DeliveryState


class StoreError(Exception):
    """The store can't serve just now (down, locked, full). Nothing was written, or the write may be
    repeated safely; the caller waits and tries the same again."""


class StoreRevisionError(Exception):
    """The store's schema isn't the one this program needs. The message says which and what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """A message that didn't fit. Equal (topic, payload, reason) are one row whose ``times`` grows. ``source``
    (``""``: that of ``[mqtt]``) isn't kept."""

    topic: str
    reason: str
    payload: bytes
    at: Instant
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RefusedRow:
    id: int
    topic: str
    reason: str
    payload: str
    times: int
    first_seen: Instant
    last_seen: Instant


@dataclass(frozen=True, slots=True, kw_only=True)
class NewDelivery:
    """One outbox row to be. ``key`` is deterministic (never contains a dot): enqueueing it twice is one row.

    ``conversation`` orders deliveries: within one, nothing is sent while an earlier row waits.
    """

    key: str
    outlet: str
    conversation: str
    change: Change
    notice: Notice
    at: Instant


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """A claimed outbox row. ``latest`` is the notice as it is now, when that is newer. ``claimed_at`` decides
    what this attempt tells; ``tried`` is the version that the first that may have arrived told."""

    id: int
    key: str
    outlet: str
    conversation: str
    change: Change
    notice: Notice
    latest: Notice | None
    attempts: int
    created_at: Instant
    claimed_at: Instant
    tried: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Settled:
    """How an attempt ended. ``waiting`` needs ``not_before``; ``replaced``: it was over before it was told.
    ``covers`` is the notice version that was told: with ``sent`` and ``replaced``, rows of the same
    conversation that still wait and tell no newer version become ``replaced``. ``traffic`` is kept as that of
    the outlet, in the same transaction. ``untouched``: the receiver certainly took nothing of it."""

    state: Literal["sent", "waiting", "dead", "replaced"]
    at: Instant
    covers: int
    not_before: Instant | None = None
    error: str | None = None
    traffic: Traffic | None = None
    untouched: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """Everything one commit writes; all of it or nothing.

    ``states`` maps a state's key (``station/L3/P1``, ``line/L3``, ``supply/…``, ``site``) to its encoded
    bytes; ``None`` deletes it. ``position`` is the number of the first journal entry; a commit whose
    ``position`` isn't the store's next one and not wholly stored already is a programming error
    (``ValueError``). Committing the same batch twice changes nothing the second time. ``word`` is what other
    shards are told of it.
    """

    position: int
    journal: Sequence[JournalEntry]
    states: Mapping[str, bytes | None]
    notices: Sequence[Notice]
    deliveries: Sequence[NewDelivery]
    refused: Sequence[Refused]
    answers: Sequence[Answered] = ()
    remembered: Remembered = NOTHING
    word: bytes | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """What a start needs: all states, the notices that aren't closed, and the journal's end."""

    position: int
    at: Instant
    states: Mapping[str, bytes]
    notices: Sequence[Notice]


class Ledger(Protocol):
    """The one writer's side of the store. Every call may raise ``StoreError``."""

    def load(self) -> Snapshot:
        """The committed state; ``position`` is the number the next journal entry will get (0 when empty)."""

    def commit(self, batch: Batch) -> None:
        """Write all of ``batch`` in one transaction, durable when it returns."""

    def save_checkpoint(self, position: int, at: Instant, states: Mapping[str, bytes]) -> None:
        """Keep the whole state as it was before entry ``position``, so an export can begin near there."""

    def prune(self, *, before: Instant, stays_before: Instant | None = None) -> int:
        """Forget journal batches, checkpoints, settled deliveries, closed notices and refused messages wholly
        older; keep what is open and the newest checkpoint not after ``before``. Stays that ended before
        ``stays_before`` go too, and the runs that none is left of. Rows deleted."""


class Words(Protocol):
    """What one shard told the others. May raise ``StoreError``."""

    def after(self, position: int, *, limit: int) -> Sequence[tuple[int, bytes]]:
        """Position and word of those behind ``position``, in order of the commits."""

    def oldest(self) -> int | None:
        """The position of the first that is kept."""

    def forget(self, *, before: Instant) -> int:
        """Those that were told before; how many there were."""


class Archive(Protocol):
    """The reading side; safe from any thread, never blocks the writer. May raise ``StoreError``."""

    def states(self, prefix: str, *, but: str | None = None) -> Mapping[str, bytes]:
        """The committed states whose key starts with ``prefix``, without those that start with ``but``."""

    def notices(
        self,
        *,
        states: Sequence[str] | None,
        limit: int,
        after: str | None,
        place: Mapping[str, str] | None = None,
    ) -> list[Notice]:
        """Newest first (``opened_at``, then ``id``), beginning behind notice ``after``; without ``states``
        all that aren't closed. ``place`` (``line``, ``station``, ``slot``) keeps those of a place."""

    def notice(self, notice_id: str) -> Notice | None: ...

    def refused(self, *, limit: int, after: int | None) -> list[RefusedRow]:
        """Newest ``last_seen`` first, then highest id; ``after`` is the id of the last row seen."""

    def journal(self, *, position: int, to: Instant | None = None) -> Iterator[tuple[int, JournalEntry]]:
        """Entries from number ``position`` on (as far as they are kept), in order, up to ``at <= to``. Reads
        in pieces: no transaction stays open between two of them."""

    def checkpoint(self, *, at: Instant | None) -> tuple[int, Instant, Mapping[str, bytes]] | None:
        """The newest checkpoint whose ``at`` is not after the given one (``None``: the oldest kept)."""

    def healthy(self) -> bool:
        """Reachable and at this program's schema revision. Never raises."""


PanelRange = tuple[str, str, int, int | None]
"""Line, station, first and last panel of the station's total; last ``None``: open."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sought:
    """Which stays are wanted: all that is said must fit. ``word`` is a lot, a part or a supply, in these
    spellings; one of ``panels`` must overlap it; ``since`` and ``until``: it was in the slot at some time
    between."""

    lot: str | None = None
    part: str | None = None
    supply: str | None = None
    word: Sequence[str] = ()
    line: str | None = None
    station: str | None = None
    slot: str | None = None
    panels: Sequence[PanelRange] | None = None
    since: Instant | None = None
    until: Instant | None = None


class Lots(Protocol):
    """The memory of lots; safe from any thread, never blocks the writer. May raise ``StoreError``."""

    def stays(self, sought: Sought, *, limit: int, after: str | None = None) -> list[Placed]:
        """Newest first (by when they began, then ``id``), beginning behind stay ``after``."""

    def runs(self, panels: Sequence[PanelRange]) -> list[RunAt]:
        """Those that have any of these panels, by station in order."""

    def runs_of(self, order: str) -> list[RunAt]:
        """Where and when an order ran, oldest first."""


class Hours(Protocol):
    """The figures of each line's hours, for ever; from any thread. May raise ``StoreError``."""

    def rolled(self) -> Instant | None:
        """All hours before this moment are here, as far back as they go; ``None``: none is."""

    def first(self) -> Instant | None:
        """When the oldest of them begins."""

    def save(self, begin: Instant, figures: Sequence[LineHour], *, rolled: Instant) -> None:
        """The figures of the hour that begins then, instead of those that are there; and up to when all are
        here now. One transaction."""

    def between(self, since: Instant, until: Instant) -> list[LineHour]:
        """The hours that begin from ``since`` to before ``until``, in order, then by line."""


class Outbox(Protocol):
    """Deliveries that wait; safe from any thread. May raise ``StoreError``."""

    def add(self, deliveries: Sequence[NewDelivery]) -> None:
        """Enqueue what no batch brings: messages that are no notices. A key that is there stays as it is."""

    def claim(
        self,
        *,
        owner: str,
        now: Instant,
        lease_until: Instant,
        limit: int,
        outlet: str | None = None,
        since: Instant | None = None,
        bundle: bool = False,
        tried: bool | None = None,
        pressing: bool = False,
    ) -> list[Delivery]:
        """Take rows that are due (waiting and ``not_before <= now``, or sending that outlived its lease), at
        most one per conversation and only its oldest unsettled one; counts the attempt. With ``since`` only
        rows never tried that were enqueued since then, with ``tried`` only those tried before, or only the
        others. ``bundle``: those that wait for their next try go along. ``pressing``: none, unless one that
        is due is about a notice that is open and at least urgent by now."""

    def take_back(self, *, owner: str, now: Instant) -> None:
        """What an earlier life of ``owner`` was sending when it died is due at once; so is what would wait
        longer than anything ever waits, because the clock stepped back."""

    def due(self, *, now: Instant) -> list[str]:
        """The outlets that something is due for."""

    def settle(self, delivery: Delivery, *, owner: str, settled: Settled) -> bool:
        """Write the end of an attempt; ``False`` (and nothing written) when the lease was lost meanwhile
        (owner or attempt number differ)."""

    def settle_all(self, ends: Sequence[tuple[Delivery, Settled]], *, owner: str) -> list[bool]:
        """The same for each of them, in one transaction."""

    def next_due(self, *, after: Instant | None = None) -> Instant | None:
        """When the earliest waiting row or running lease is due (of those after ``after``); ``None`` when
        nothing waits."""

    def backlog(self) -> Mapping[tuple[str, str], int]:
        """(outlet, state) → rows, for states ``waiting``, ``sending`` and ``dead``."""

    def traffic(self) -> Mapping[str, Traffic]:
        """What was kept of each outlet with the last settled delivery."""

    def remember(self, outlet: str, traffic: Traffic) -> None:
        """Keep this of the outlet, apart from any delivery."""

    def deliveries(self, *, state: DeliveryState | None, limit: int, after: int | None) -> list[DeliveryRow]:
        """Newest first (by when they were made, then by number), beginning behind the row ``after``."""

    def delivery(self, delivery_id: int) -> DeliveryRow | None: ...

    def again(self, delivery_id: int, *, now: Instant) -> DeliveryRow:
        """A dead row waits again and is due now. The row as it is then; ``KeyError``: there is none,
        ``NotDead``: it isn't dead."""


@dataclass(frozen=True, slots=True)
class Delivered:
    """The receiver accepted it."""


@dataclass(frozen=True, slots=True)
class Failed:
    """Not accepted. ``retry_after`` in seconds when the receiver asked for it; ``final`` when another try is
    pointless (HTTP 410, refused recipient); ``reason`` carries no secret and no URL. ``untouched``: it was
    certainly not taken, so the next attempt is like a first one. ``away``: it isn't for what is in it.
    ``partly``: some of those who hear the outlet have it since this attempt, the others will be tried
    again."""

    reason: str
    retry_after: float | None = None
    final: bool = False
    untouched: bool = field(default=False, compare=False)
    away: bool = field(default=False, compare=False)
    partly: bool = field(default=False, compare=False)


class Outlet(Protocol):
    """One way out, named in the configuration. Sending ends within 15 s and never raises. ``bundles``: one
    message may tell several changes, of several notices (it is ``Bundling``); else each is one of its own."""

    name: str
    pace: Pace
    bundles: bool

    async def send(self, delivery: Delivery, *, now: Instant) -> Delivered | Failed: ...

    async def close(self) -> None: ...


class Bundling(Outlet, Protocol):
    async def send_many(self, deliveries: Sequence[Delivery], *, now: Instant) -> Delivered | Failed:
        """All of them in one message: two or more, of different notices, most urgent first."""
