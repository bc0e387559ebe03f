"""Deliveries and outlets as people see them, and what they may ask of them. Nothing here does anything."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

from service.domain.model import Change, Instant
from service.domain.outage import State

DeliveryState = Literal["waiting", "sending", "sent", "dead", "replaced"]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryRow:
    """One outbox row. ``next_try``: of a waiting one; ``error``: why the last attempt failed, without any
    secret or address."""

    id: int
    outlet: str
    notice: str
    change: Change
    version: int
    state: DeliveryState
    attempts: int
    error: str | None
    created_at: Instant
    next_try: Instant | None
    settled_at: Instant | None


class NotDead(Exception):
    """Only a dead delivery can be sent again: carries it as it is."""

    def __init__(self, row: DeliveryRow) -> None:
        super().__init__(f"delivery {row.id} is {row.state}")
        self.row = row


class Outgoing(Protocol):
    """What the pages show of deliveries and may ask of them; from any thread. May raise ``StoreError``."""

    def deliveries(
        self, *, state: DeliveryState | None, limit: int, after: int | None
    ) -> Sequence[DeliveryRow]:
        """Newest first, beginning behind the row ``after``."""
        ...

    def again(self, delivery_id: int, *, by: str) -> DeliveryRow:
        """Send a dead delivery again; it waits then. ``KeyError``: no such one, ``NotDead``: it isn't."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class OutletRow:
    """One configured outlet and how it fares. ``leads_to``: a host or a scheme, never a secret; ``since``:
    it fails; ``notice``: the open one that tells of it. ``routed``: some route leads there. ``recipients`` of
    mail; ``phones`` hear it, where it is for phones. What isn't known is ``None``."""

    name: str
    type: str
    leads_to: str | None
    recipients: int | None
    state: State
    since: Instant | None
    paused_until: Instant | None
    succeeded_at: Instant | None
    failed_at: Instant | None
    error: str | None
    waiting: int
    dead: int
    phones: int | None
    routed: bool
    notice: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Tested:
    """How a test went; ``reason``: why it wasn't delivered, without any secret or address."""

    outlet: str
    delivered: bool
    reason: str | None
    seconds: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """One message as an outlet would send it, for people to look at."""

    headers: Sequence[tuple[str, str]]
    text: str
    html: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Preview:
    """A sample: what happened, and the message about it."""

    sample: str
    shown: Shown


class TooSoon(Exception):
    """This outlet is being tested, or was just now; ``seconds`` until the next test."""

    def __init__(self, seconds: int) -> None:
        super().__init__(f"it was tested just now; wait {seconds} s")
        self.seconds = seconds


@dataclass(frozen=True, slots=True, kw_only=True)
class Alive:
    """How this instance says that it lives: to a monitor at ``leads_to`` (``None``: to none) so often, and to
    people through ``outlets`` at a time of the day (``None``: never). ``beat_at`` and ``failed_at`` are those
    of its last beats, ``said_on`` the day of its last message to people."""

    leads_to: str | None
    every_minutes: float
    beat_at: Instant | None
    failed_at: Instant | None
    error: str | None
    at: str | None
    outlets: Sequence[str]
    said_on: str | None


class WaysOut(Protocol):
    """The outlets as people see them. ``KeyError``: there is none of this name."""

    def rows(self) -> Sequence[OutletRow]:
        """As configured, in that order. May raise ``StoreError``."""
        ...

    async def test(self, name: str, *, by: str | None) -> Tested:
        """Send a message there now that says that it is a test; within 20 s. Raises ``TooSoon``."""
        ...

    async def preview(self, name: str) -> Sequence[Preview]:
        """What it would say of some invented notices; nothing is sent. Empty where it can't be shown."""
        ...

    def alive(self) -> Alive: ...
