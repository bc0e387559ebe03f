"""A delivery loop as a process of its own, to be killed in the middle: one store, one webhook.

``python -m tests.support.sender STORE_URL HOOK_URL [CRASH_AT]``; ends by itself when nothing waits any more.
"""

from __future__ import annotations

import asyncio
import sys
import time

from service import crash
from service.outlets import build_outlet
from service.store import open_store
from service.usecases.deliver import Bell, deliver
from tests.support.wait import eventually

OWNER = "sender"


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


if __name__ == "__main__":
    crash.arm(sys.argv[3] if len(sys.argv) > 3 else None)
    asyncio.run(send(sys.argv[1], sys.argv[2]))
