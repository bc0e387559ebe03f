"""An outbox in memory that keeps the port's contract, for tests of the delivery loop alone.

It can be told to be away for a number of calls, as a store is now and then.
"""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from service.domain.model import Instant, Notice
from service.domain.traffic import Traffic
from service.outgoing import DeliveryRow, DeliveryState, NotDead
from service.ports import Delivery, NewDelivery, Settled, StoreError
from service.usecases.deliver import telling


@dataclass(slots=True)
class _Row:
    id: int
    new: NewDelivery
    state: str = "waiting"
    attempts: int = 0
    not_before: Instant = 0
    owner: str | None = None
    lease_until: Instant = 0
    error: str | None = None
    tried: int | None = None

    def due_at(self) -> Instant:
        return self.lease_until if self.state == "sending" else self.not_before


class MemoryOutbox:
    def __init__(self) -> None:
        self._rows: dict[str, _Row] = {}
        self._latest: dict[str, Notice] = {}
        self._traffic: dict[str, Traffic] = {}
        self._lock = threading.Lock()
        self.away = 0
        """So many of the next calls raise ``StoreError``."""

    def enqueue(self, *news: NewDelivery) -> None:
        with self._lock:
            for new in news:
                self._rows.setdefault(new.key, _Row(len(self._rows) + 1, new, not_before=new.at))
                known = self._latest.get(new.notice.id)
                if known is None or known.version < new.notice.version:
                    self._latest[new.notice.id] = new.notice

    def add(self, deliveries: Sequence[NewDelivery]) -> None:
        self.enqueue(*deliveries)

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
        with self._lock:
            self._reach()
            heads = [row for row in self._heads() if outlet in {None, row.new.outlet}]
            heads = [row for row in heads if tried in {None, row.attempts > 0}]
            if since is not None:
                heads = [row for row in heads if row.attempts == 0 and row.new.at >= since]
            due = [row for row in heads if row.due_at() <= now]
            if not any(self._presses(row) or not pressing for row in due):
                return []
            if bundle:
                due += [row for row in heads if row.state == "waiting" and row not in due]
            due.sort(key=lambda row: (row.due_at(), row.id))
            return [self._claim(row, owner, now, lease_until) for row in due[:limit]]

    def _presses(self, row: _Row) -> bool:
        latest = self._latest[row.new.notice.id]
        return latest.state == "open" and latest.level != "early"

    def take_back(self, *, owner: str, now: Instant) -> None:
        with self._lock:
            self._reach()
            for row in self._rows.values():
                if row.state == "sending" and row.owner == owner:
                    row.lease_until = min(row.lease_until, now)

    def due(self, *, now: Instant) -> list[str]:
        with self._lock:
            self._reach()
            return sorted({row.new.outlet for row in self._heads() if row.due_at() <= now})

    def settle(self, delivery: Delivery, *, owner: str, settled: Settled) -> bool:
        with self._lock:
            self._reach()
            row = self._rows[delivery.key]
            if row.state != "sending" or row.owner != owner or row.attempts != delivery.attempts:
                return False
            row.state, row.error = settled.state, settled.error
            if settled.traffic is not None:
                self._traffic[row.new.outlet] = settled.traffic
            if settled.state == "waiting":
                assert settled.not_before is not None
                row.not_before = settled.not_before
                row.tried = None if settled.untouched and delivery.tried is None else row.tried
            if settled.state in {"sent", "replaced"}:
                for other in self._rows.values():
                    same = other.new.conversation == row.new.conversation
                    if same and other.state == "waiting" and other.new.notice.version <= settled.covers:
                        other.state = "replaced"
            return True

    def settle_all(self, ends: Sequence[tuple[Delivery, Settled]], *, owner: str) -> list[bool]:
        return [self.settle(delivery, owner=owner, settled=settled) for delivery, settled in ends]

    def next_due(self, *, after: Instant | None = None) -> Instant | None:
        with self._lock:
            self._reach()
            moments = [row.due_at() for row in self._heads()]
            return min((at for at in moments if after is None or at > after), default=None)

    def backlog(self) -> Mapping[tuple[str, str], int]:
        with self._lock:
            self._reach()
            states = {"waiting", "sending", "dead"}
            return Counter((row.new.outlet, row.state) for row in self._rows.values() if row.state in states)

    def remember(self, outlet: str, traffic: Traffic) -> None:
        with self._lock:
            self._reach()
            self._traffic[outlet] = traffic

    def traffic(self) -> Mapping[str, Traffic]:
        with self._lock:
            self._reach()
            return dict(self._traffic)

    def deliveries(self, *, state: DeliveryState | None, limit: int, after: int | None) -> list[DeliveryRow]:
        with self._lock:
            self._reach()
            rows = sorted(self._rows.values(), key=lambda row: -row.id)
            wanted = [row for row in rows if state in {None, row.state} and (after is None or row.id < after)]
            return [self._shown(row) for row in wanted[:limit]]

    def delivery(self, delivery_id: int) -> DeliveryRow | None:
        return next(
            (row for row in self.deliveries(state=None, limit=10**6, after=None) if row.id == delivery_id),
            None,
        )

    def again(self, delivery_id: int, *, now: Instant) -> DeliveryRow:
        with self._lock:
            self._reach()
            row = {row.id: row for row in self._rows.values()}[delivery_id]
            if row.state != "dead":
                raise NotDead(self._shown(row))
            row.state, row.not_before = "waiting", now
            return self._shown(row)

    def _shown(self, row: _Row) -> DeliveryRow:
        return DeliveryRow(
            id=row.id,
            outlet=row.new.outlet,
            notice=row.new.notice.id,
            change=row.new.change,
            version=row.new.notice.version,
            state=row.state,  # type: ignore[arg-type]
            attempts=row.attempts,
            error=row.error,
            created_at=row.new.at,
            next_try=row.not_before if row.state == "waiting" else None,
            settled_at=None,
        )

    def state(self, key: str) -> tuple[str, int, str | None]:
        """(state, attempts, error) of a row."""
        with self._lock:
            row = self._rows[key]
            return row.state, row.attempts, row.error

    def _heads(self) -> list[_Row]:
        """The oldest unsettled row of each conversation."""
        heads: dict[str, _Row] = {}
        for row in self._rows.values():
            if row.state in {"waiting", "sending"}:
                heads.setdefault(row.new.conversation, row)
        return list(heads.values())

    def _claim(self, row: _Row, owner: str, now: Instant, lease_until: Instant) -> Delivery:
        row.state, row.owner, row.lease_until = "sending", owner, lease_until
        row.attempts += 1
        claimed = self._delivery(row, now)
        row.tried = telling(claimed).notice.version if row.tried is None else row.tried
        return claimed

    def _delivery(self, row: _Row, now: Instant) -> Delivery:
        new, latest = row.new, self._latest[row.new.notice.id]
        return Delivery(
            id=row.id,
            key=new.key,
            outlet=new.outlet,
            conversation=new.conversation,
            change=new.change,
            notice=new.notice,
            latest=latest if latest.version > new.notice.version else None,
            attempts=row.attempts,
            created_at=new.at,
            claimed_at=now,
            tried=row.tried,
        )

    def _reach(self) -> None:
        if self.away > 0:
            self.away -= 1
            raise StoreError("the store is away")
