"""An outlet that took a test: it is well again at once, and what waits for it goes out."""

from __future__ import annotations

import asyncio

from service.domain.events import OutletReport
from service.ports import Delivered
from tests.unit.usecases.test_deliver_traffic import DOWN, GONE, Switch, running


def test_one_that_was_gone_takes_messages_again_and_others_hear_that_it_is_over() -> None:
    async def scene() -> None:
        hook = Switch(answer=GONE)
        async with running(hook) as on:
            on.enqueue("n1")
            await on.until(lambda: on.states() == ["gone"])
            hook.answer = Delivered()
            on.bell.prove("hook")
            await on.until(lambda: on.outbox.traffic()["hook"].failing_since is None)
            assert on.outbox.traffic()["hook"].succeeded_at is not None
            on.enqueue("n2")
            await on.until(lambda: hook.sent == ["n1", "n2"])
            await on.while_passing(61, lambda: on.states() == ["gone", "well"])
            assert on.reports[-1] == OutletReport(outlet="hook", state="well")

    asyncio.run(scene())


def test_what_was_put_off_is_tried_at_once_and_its_failure_counts_anew() -> None:
    async def scene() -> None:
        hook = Switch(answer=DOWN)
        async with running(hook) as on:
            on.enqueue(*(f"n{number}" for number in range(8)))
            await on.until(lambda: on.outbox.traffic().get("hook") and on.outbox.traffic()["hook"].trips)
            on.bell.prove("hook")
            await on.until(lambda: on.outbox.traffic()["hook"].succeeded_at)
            on.enqueue("n9")
            await on.until(lambda: "n9" in hook.sent)
            await on.until(lambda: on.outbox.traffic()["hook"].failing_since)
            assert on.outbox.traffic()["hook"].succeeded_at is not None

    asyncio.run(scene())
