"""A store that is written to and the loop that delivers from it, in a thread as in the program."""

from __future__ import annotations

import asyncio
import random
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from service.domain.model import Instant, Notice
from service.ports import Batch, NewDelivery, Outlet
from service.store import Store
from service.usecases.deliver import Attempt, Bell, StoreTrouble, deliver
from tests.support.notices import new_delivery
from tests.support.wait import eventually


class Plant:
    """``ahead`` moves its clock on."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.ahead: Instant = 0
        self.reports: list[Attempt | StoreTrouble] = []
        self._bell = Bell()

    def clock(self) -> Instant:
        return time.time_ns() // 1000 + self.ahead

    def commit(self, *notices: Notice, outlet: str = "hook") -> None:
        deliveries = [new_delivery(one, outlet=outlet, at=self.clock()) for one in notices]
        self._commit(notices, deliveries)
        self._bell.ring()

    def _commit(self, notices: tuple[Notice, ...], deliveries: list[NewDelivery]) -> None:
        position = self.store.ledger.load().position
        newest = {one.id: one for one in notices}
        self.store.ledger.commit(
            Batch(
                position=position,
                journal=[],
                states={},
                notices=list(newest.values()),
                deliveries=deliveries,
                refused=[],
            )
        )

    @contextmanager
    def delivering(self, outlets: Mapping[str, Outlet], *, owner: str = "me") -> Iterator[None]:
        self._bell = Bell()
        thread = threading.Thread(target=self._deliver, args=(outlets, owner), name="deliveries")
        thread.start()
        try:
            yield
        finally:
            self._bell.stop()
            thread.join(5.0)
            assert not thread.is_alive()

    def _deliver(self, outlets: Mapping[str, Outlet], owner: str) -> None:
        async def until_stopped() -> None:
            await deliver(
                outbox=self.store.outbox,
                outlets=outlets,
                owner=owner,
                clock=self.clock,
                chance=random.Random(1).random,
                bell=self._bell,
                report=self.reports.append,
            )
            for outlet in outlets.values():
                await outlet.close()

        asyncio.run(until_stopped())

    def backlog(self) -> Mapping[tuple[str, str], int]:
        return self.store.outbox.backlog()

    def settled(self, *, within: float = 10.0) -> None:
        eventually(
            lambda: not self.backlog(), timeout=within, message=lambda: f"still there: {self.backlog()}"
        )
