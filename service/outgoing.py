"""Deliveries as people see them, and how a dead one is sent again. Nothing here does anything."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

from service.domain.model import Change, Instant

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
