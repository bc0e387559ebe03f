"""A delivery loop as a process of its own, to be killed in the middle: one store, one webhook; and a process
that writes one delivery, to be killed as well."""

from __future__ import annotations

import asyncio
import time

from service import crash
from service.outlets import build_outlet
from service.store import open_store
from service.usecases.deliver import Bell, deliver
from tests.contract.builders import batch
from tests.support.notices import new_delivery, notice
from tests.support.wait import eventually

OWNER = "sender"


def main(store_url: str, hook_url: str, crash_at: str) -> None:
    """Ends by itself when nothing waits any more."""
    crash.arm(crash_at)
    asyncio.run(send(store_url, hook_url))


async def send(store_url: str, hook_url: str) -> None:
    store = open_store(store_url, migrate=False)
    hook = build_outlet(name="hook", type="webhook", url=hook_url, site="Werk 1")
    bell = Bell()

    def over() -> bool:
        return bell.stopping or store.outbox.next_due() is None

    async def until_over() -> None:
        await asyncio.to_thread(eventually, over, timeout=60.0)
        bell.stop()

    watching = asyncio.create_task(until_over())
    await deliver(
        outbox=store.outbox,
        outlets={"hook": hook},
        owner=OWNER,
        clock=lambda: time.time_ns() // 1000,
        chance=lambda: 0.0,
        bell=bell,
        report=lambda _: None,
    )
    await watching
    await hook.close()
    store.close()


def write(store_url: str, crash_at: str) -> None:
    store = open_store(store_url, migrate=False)
    crash.arm(crash_at)
    store.ledger.commit(batch(notices=[notice()], deliveries=[new_delivery(notice(), at=0)]))
