"""What people see of deliveries, and sending a dead one again: the port ``Outgoing`` over the outbox."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from service.domain.model import Instant
from service.outgoing import DeliveryRow, DeliveryState
from service.ports import Outbox
from service.usecases.deliver.bell import Bell


@dataclass(frozen=True, slots=True, kw_only=True)
class OutTray:
    """``report`` is called with what was sent again and by whom."""

    outbox: Outbox
    bell: Bell
    clock: Callable[[], Instant]
    report: Callable[[DeliveryRow, str], None]

    def deliveries(
        self, *, state: DeliveryState | None, limit: int, after: int | None
    ) -> Sequence[DeliveryRow]:
        return self.outbox.deliveries(state=state, limit=limit, after=after)

    def again(self, delivery_id: int, *, by: str) -> DeliveryRow:
        row = self.outbox.again(delivery_id, now=self.clock())
        self.bell.revive(row.outlet)
        self.report(row, by)
        return row
