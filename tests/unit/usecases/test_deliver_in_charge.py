"""The delivery loop of one that isn't sure to be in charge any more, or isn't."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Callable

import pytest

from service.domain.model import Instant
from service.domain.traffic import Pace
from service.lease import LeaseLost
from service.ports import Delivered, Delivery, Settled
from service.usecases.deliver import Bell, deliver
from tests.support.notices import new_delivery, notice
from tests.support.outbox import MemoryOutbox


def now() -> Instant:
    return time.time_ns() // 1000


class Hook:
    name, pace, bundles = "hook", Pace(rate=1000.0, burst=1000), False

    def __init__(self) -> None:
        self.sent: list[str] = []

    async def send(self, delivery: Delivery, *, now: Instant) -> Delivered:
        self.sent.append(delivery.key)
        return Delivered()

    async def close(self) -> None: ...


class Taken(MemoryOutbox):
    """Another took over between a claim and its end."""

    def settle(self, delivery: Delivery, *, owner: str, settled: Settled) -> bool:
        raise LeaseLost


async def run(box: MemoryOutbox, hook: Hook, bell: Bell, in_charge: Callable[[], bool]) -> None:
    await deliver(
        outbox=box,
        outlets={"hook": hook},
        owner="me",
        clock=now,
        chance=lambda: 0.0,
        bell=bell,
        report=lambda _: None,
        in_charge=in_charge,
    )


def waiting() -> MemoryOutbox:
    box = MemoryOutbox()
    box.enqueue(new_delivery(notice(), at=now()))
    return box


def test_one_that_is_not_sure_to_be_in_charge_claims_and_sends_nothing() -> None:
    box, hook, bell = waiting(), Hook(), Bell()
    looks = []

    def unsure() -> bool:
        looks.append(1)
        if len(looks) == 3:
            bell.stop()
        return False

    asyncio.run(run(box, hook, bell, unsure))
    assert hook.sent == []
    assert box.backlog() == {("hook", "waiting"): 1}


def test_what_was_claimed_before_a_pause_is_handed_back_unsent_after_it() -> None:
    """A paused process goes on between its claim and its send; it must look again."""
    box, hook, bell = waiting(), Hook(), Bell()
    answers = [True, False]

    def paused_in_between() -> bool:
        if answers:
            return answers.pop(0)
        bell.stop()
        return False

    asyncio.run(run(box, hook, bell, paused_in_between))
    assert hook.sent == []
    assert box.backlog() == {("hook", "waiting"): 1}


def test_a_lease_that_was_lost_ends_the_loop_by_its_name() -> None:
    box, hook, bell = Taken(), Hook(), Bell()
    box.enqueue(new_delivery(notice(), at=now()))
    with pytest.raises(LeaseLost):
        asyncio.run(run(box, hook, bell, lambda: True))
