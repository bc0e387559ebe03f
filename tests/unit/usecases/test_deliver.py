"""The delivery loop, with an outbox in memory and outlets that do as they are told."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Awaitable, Callable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pytest

from service.domain.model import SECOND, Change, Instant
from service.domain.traffic import Pace
from service.ports import Delivered, Delivery, Failed, Outlet, Settled
from service.usecases.deliver import Attempt, Bell, StoreTrouble, deliver, telling
from service.usecases.deliver.lane import AT_ONCE
from tests.support.notices import closed, delivery, new_delivery, notice, urgent
from tests.support.outbox import MemoryOutbox

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

DAY = 24 * 3600 * SECOND


class Clock:
    """Real time plus what a test adds to it."""

    def __init__(self) -> None:
        self.ahead: Instant = 0

    def __call__(self) -> Instant:
        return time.time_ns() // 1000 + self.ahead


class ToldOutlet:
    """Answers what ``answers`` says in turn, then with ``Delivered``; a callable is asked."""

    pace = Pace(rate=1000.0, burst=1000)
    bundles = False

    def __init__(
        self, name: str = "hook", *answers: Delivered | Failed | Callable[[], Awaitable[None]]
    ) -> None:
        self.name = name
        self.sent: list[Delivery] = []
        self.began: list[float] = []
        self.under_way = 0
        self.most_under_way = 0
        self._answers = list(answers)

    async def send(self, delivery: Delivery, *, now: Instant) -> Delivered | Failed:
        self.sent.append(delivery)
        self.began.append(time.perf_counter())
        self.under_way += 1
        self.most_under_way = max(self.most_under_way, self.under_way)
        try:
            answer = self._answers.pop(0) if self._answers else Delivered()
            if callable(answer):
                await answer()
                return Delivered()
            return answer
        finally:
            self.under_way -= 1

    async def close(self) -> None: ...

    def keys(self) -> list[str]:
        return [one.key for one in self.sent]


async def for_ever() -> None:
    await asyncio.Event().wait()


def waiting_for(event: asyncio.Event) -> Callable[[], Awaitable[None]]:
    async def wait() -> None:
        await event.wait()

    return wait


@dataclass
class Running:
    outbox: MemoryOutbox
    clock: Clock
    bell: Bell
    task: asyncio.Task[None]
    reports: list[Attempt | StoreTrouble] = field(default_factory=list)

    def enqueue(self, *notices: object, outlet: str = "hook") -> None:
        self.outbox.enqueue(*(new_delivery(one, outlet=outlet, at=self.clock()) for one in notices))  # type: ignore[arg-type]
        self.bell.ring()

    async def until(self, condition: Callable[[], object], *, within: float = 5.0) -> None:
        deadline = time.monotonic() + within
        while not condition():
            assert time.monotonic() < deadline, f"not within {within} s; told so far: {self.reports}"
            assert not self.task.done() or self.task.exception() is None
            await asyncio.sleep(0.002)

    def attempts(self) -> list[Attempt]:
        return [one for one in self.reports if isinstance(one, Attempt)]

    def outcomes(self) -> list[tuple[str, str]]:
        return [(one.key, one.outcome) for one in self.attempts()]


@asynccontextmanager
async def running(
    *outlets: Outlet, outbox: MemoryOutbox | None = None, chance: Callable[[], float] = lambda: 0.0
) -> AsyncIterator[Running]:
    box, clock, bell = outbox or MemoryOutbox(), Clock(), Bell()
    reports: list[Attempt | StoreTrouble] = []
    loop = deliver(
        outbox=box,
        outlets={one.name: one for one in outlets},
        owner="me",
        clock=clock,
        chance=chance,
        bell=bell,
        report=reports.append,
    )
    task = asyncio.create_task(loop)
    try:
        yield Running(box, clock, bell, task, reports)
        bell.stop()
        if not task.cancelled():
            await asyncio.wait_for(task, 3.0)
    finally:
        task.cancel()
        await asyncio.wait({task})


# --- what a delivery tells


@pytest.mark.parametrize(
    ("given", "change", "version", "replaces"),
    [
        (delivery(), Change.OPENED, 1, None),
        (delivery(latest=urgent()), Change.OPENED, 1, None),
        (delivery(latest=urgent(), attempts=2), Change.OPENED, 2, 1),
        (delivery(latest=closed(), attempts=2), Change.OPENED, 3, 1),
        (delivery(change=Change.CHANGED, notice=urgent(), latest=closed(), attempts=2), Change.CLOSED, 3, 2),
        (delivery(change=Change.CLOSED, notice=closed(), attempts=2), Change.CLOSED, 3, None),
        (
            delivery(change=Change.CLOSED, notice=closed(), latest=urgent(version=4), attempts=2),
            Change.CHANGED,
            4,
            3,
        ),
        (delivery(notice=closed(), latest=urgent(), attempts=2), Change.OPENED, 3, None),
    ],
)
def test_the_first_attempt_tells_its_change_and_a_later_one_what_is_true_by_then(
    given: Delivery, change: Change, version: int, replaces: int | None
) -> None:
    told = telling(given)
    assert (told.change, told.notice.version, told.replaces) == (change, version, replaces)


# --- the loop


def test_what_waited_before_the_start_is_sent() -> None:
    async def story() -> None:
        outbox, hook = MemoryOutbox(), ToldOutlet()
        outbox.enqueue(new_delivery(notice()))
        async with running(hook, outbox=outbox) as on:
            await on.until(on.outcomes)
            assert on.outcomes() == [("n7c1:1:hook", "sent")]
            assert outbox.state("n7c1:1:hook")[0] == "sent"

    asyncio.run(story())


def test_a_first_attempt_begins_within_20_ms_of_the_ring() -> None:
    async def story() -> None:
        hook = ToldOutlet()
        async with running(hook) as on:
            delays = []
            for number in range(30):
                on.outbox.enqueue(new_delivery(notice(id=f"n{number}"), at=on.clock()))
                rung = time.perf_counter()
                await asyncio.to_thread(on.bell.ring)
                await on.until(lambda number=number: len(hook.sent) > number)  # type: ignore[misc]
                delays.append(hook.began[-1] - rung)
            assert sorted(delays)[len(delays) // 2] < 0.020

    asyncio.run(story())


def test_without_a_ring_the_safety_net_finds_it() -> None:
    async def story() -> None:
        hook = ToldOutlet()
        async with running(hook) as on:
            on.outbox.enqueue(new_delivery(notice(), at=on.clock()))
            await on.until(lambda: hook.sent, within=3.0)

    asyncio.run(story())


def test_a_failed_delivery_comes_again_when_its_wait_is_over_under_the_same_key() -> None:
    async def story() -> None:
        hook = ToldOutlet("hook", Failed("answered 500"), Failed("answered 400"))
        async with running(hook) as on:
            on.enqueue(notice())
            await on.until(lambda: len(hook.sent) == 3)
            await on.until(lambda: len(on.reports) == 3)
            gaps = [later - earlier for earlier, later in zip(hook.began, hook.began[1:], strict=False)]
            assert 0.5 <= gaps[0] < gaps[1] < 2.0
            assert hook.keys() == ["n7c1:1:hook"] * 3
            assert [one.attempts for one in hook.sent] == [1, 2, 3]
            assert [(one.outcome, one.error) for one in on.attempts()] == [
                ("waiting", "answered 500"),
                ("waiting", "answered 400"),
                ("sent", None),
            ]

    asyncio.run(story())


def test_what_is_true_now_replaces_the_changes_that_waited_behind() -> None:
    async def story() -> None:
        hook = ToldOutlet("hook", Failed("answered 500"))
        async with running(hook) as on:
            on.enqueue(notice())
            await on.until(lambda: hook.sent)
            on.enqueue(urgent(), urgent(version=3))
            await on.until(lambda: on.outbox.state("n7c1:3:hook")[0] == "replaced")
            assert on.outbox.state("n7c1:1:hook")[0] == "sent"
            assert on.outbox.state("n7c1:2:hook")[0] == "replaced"
            assert len(hook.sent) == 2

    asyncio.run(story())


@pytest.mark.parametrize(
    ("bundles", "keys", "ending"), [(False, [1, 1, 3], "sent"), (True, [1, 1], "replaced")]
)
def test_what_closed_before_its_opening_was_told_is_not_told_as_closed_alone(
    bundles: bool, keys: list[int], ending: str
) -> None:
    """Each change for itself: the opening as it is by now, then the closing. Bundled: one message of both."""

    async def story() -> None:
        hook = ToldOutlet("hook", Failed("answered 500"))
        hook.bundles = bundles
        async with running(hook) as on:
            on.enqueue(notice())
            await on.until(lambda: hook.sent)
            on.enqueue(urgent(), closed())
            await on.until(lambda: on.outbox.state("n7c1:3:hook")[0] == ending)
            assert hook.keys() == [f"n7c1:{number}:hook" for number in keys]
            assert on.outbox.state("n7c1:2:hook")[0] == "replaced"

    asyncio.run(story())


def test_changes_of_one_notice_go_out_in_order_and_each_for_itself() -> None:
    async def story() -> None:
        hook = ToldOutlet()
        async with running(hook) as on:
            on.enqueue(notice(), urgent(), closed())
            await on.until(lambda: len(hook.sent) == 3)
            assert hook.keys() == [f"n7c1:{n}:hook" for n in (1, 2, 3)]
            assert hook.most_under_way == 1

    asyncio.run(story())


def test_after_410_the_outlet_is_disabled_and_says_so_once() -> None:
    async def story() -> None:
        gone, other = ToldOutlet("hook", Failed("answered 410 Gone", final=True)), ToldOutlet("other")
        async with running(gone, other) as on:
            on.enqueue(notice())
            await on.until(lambda: len(on.reports) == 1)
            on.enqueue(notice(id="n2"))
            on.enqueue(notice(), outlet="other")
            await on.until(lambda: len(on.reports) == 3)
            assert len(gone.sent) == 1
            assert len(other.sent) == 1
            assert on.outbox.state("n2:1:hook") == ("dead", 1, "the outlet is disabled: answered 410 Gone")
            assert [one.disables for one in on.attempts() if one.outlet == "hook"] == [True, False]

    asyncio.run(story())


def test_a_closed_notice_is_given_up_after_a_day_an_open_one_never() -> None:
    async def story() -> None:
        hook = ToldOutlet("hook", Failed("answered 500"), Failed("answered 500"))
        async with running(hook) as on:
            on.clock.ahead = -DAY
            on.outbox.enqueue(
                new_delivery(closed(id="nc"), at=on.clock()), new_delivery(notice(id="no"), at=on.clock())
            )
            on.clock.ahead = 0
            on.bell.ring()
            await on.until(lambda: len(on.reports) >= 2)
            assert on.outbox.state("nc:3:hook")[0] == "dead"
            assert on.outbox.state("no:1:hook")[0] != "dead"

    asyncio.run(story())


def test_an_exception_in_one_send_fails_that_send_and_its_text_is_not_told() -> None:
    async def boom() -> None:
        raise RuntimeError("k3y")

    async def story() -> None:
        hook = ToldOutlet("hook", boom)
        async with running(hook) as on:
            on.enqueue(notice(), notice(id="n2"))
            await on.until(lambda: on.outbox.state("n2:1:hook")[0] == "sent")
            await on.until(lambda: ("n7c1:1:hook", "waiting") in on.outcomes())
            assert on.outbox.state("n7c1:1:hook")[2] == "unexpected RuntimeError"

    asyncio.run(story())


def test_a_report_that_fails_costs_no_delivery() -> None:
    async def story() -> None:
        outbox, bell, hook = MemoryOutbox(), Bell(), ToldOutlet()
        outbox.enqueue(new_delivery(notice()), new_delivery(notice(id="n2")))

        def report(event: object) -> None:
            if len(hook.sent) == 2:
                bell.stop()
            raise ValueError("no disk for the log")

        await asyncio.wait_for(
            deliver(
                outbox=outbox,
                outlets={"hook": hook},
                owner="me",
                clock=Clock(),
                chance=lambda: 0.5,
                bell=bell,
                report=report,
            ),
            5.0,
        )
        assert {outbox.state(key)[0] for key in ("n7c1:1:hook", "n2:1:hook")} == {"sent"}

    asyncio.run(story())


def test_while_the_store_is_away_the_loop_waits_and_says_it_once() -> None:
    async def story() -> None:
        outbox, hook = MemoryOutbox(), ToldOutlet()
        outbox.away = 3
        outbox.enqueue(new_delivery(notice()))
        async with running(hook, outbox=outbox) as on:
            await on.until(lambda: len(on.outcomes()) == 1)
            assert [one.error for one in on.reports if isinstance(one, StoreTrouble)] == [
                "the store is away",
                None,
            ]

    asyncio.run(story())


def test_a_good_send_is_written_down_when_the_store_is_back_and_not_sent_twice() -> None:
    async def story() -> None:
        outbox = MemoryOutbox()

        async def store_goes_away() -> None:
            outbox.away = 2

        hook = ToldOutlet("hook", store_goes_away)
        outbox.enqueue(new_delivery(notice()))
        async with running(hook, outbox=outbox) as on:
            await on.until(lambda: outbox.state("n7c1:1:hook")[0] == "sent")
            assert len(hook.sent) == 1

    asyncio.run(story())


def test_an_end_that_can_not_be_written_any_more_is_told_as_lost() -> None:
    class Stolen(MemoryOutbox):
        def settle(self, delivery: Delivery, *, owner: str, settled: Settled) -> bool:
            return super().settle(delivery, owner="another", settled=settled)

    async def story() -> None:
        outbox = Stolen()
        outbox.enqueue(new_delivery(notice()))
        async with running(ToldOutlet(), outbox=outbox) as on:
            await on.until(lambda: on.reports)
            assert on.attempts()[0].outcome == "lost"
            assert on.attempts()[0].error == "the lease had run out"

    asyncio.run(story())


def test_a_row_that_can_not_be_settled_does_not_end_the_loop() -> None:
    class Poisoned(MemoryOutbox):
        def settle(self, delivery: Delivery, *, owner: str, settled: Settled) -> bool:
            if delivery.key == "n7c1:1:hook":
                raise ValueError("no such column")
            return super().settle(delivery, owner=owner, settled=settled)

    async def story() -> None:
        outbox = Poisoned()
        outbox.enqueue(new_delivery(notice()), new_delivery(notice(id="n2")))
        async with running(ToldOutlet(), outbox=outbox) as on:
            await on.until(lambda: outbox.state("n2:1:hook")[0] == "sent")
            await on.until(lambda: ("n7c1:1:hook", "lost") in on.outcomes())

    asyncio.run(story())


def test_a_mistake_of_the_store_ends_the_loop_where_it_can_be_seen() -> None:
    class Broken(MemoryOutbox):
        def next_due(self, *, after: Instant | None = None) -> Instant | None:
            raise KeyError("a mistake in the program")

    async def story() -> None:
        with pytest.raises(KeyError):
            await asyncio.wait_for(
                deliver(
                    outbox=Broken(),
                    outlets={},
                    owner="me",
                    clock=Clock(),
                    chance=lambda: 0.5,
                    bell=Bell(),
                    report=lambda _: None,
                ),
                5.0,
            )

    asyncio.run(story())


def test_a_row_of_an_outlet_that_is_no_longer_configured_waits_and_says_why() -> None:
    async def story() -> None:
        async with running() as on:
            on.enqueue(notice())
            await on.until(lambda: on.reports)
            state, _, error = on.outbox.state("n7c1:1:hook")
            assert (state, error) == ("waiting", "no outlet of this name in the configuration")

    asyncio.run(story())


# --- lanes


def test_at_most_four_are_under_way_to_one_outlet() -> None:
    async def story() -> None:
        hook = ToldOutlet("hook", *[lambda: asyncio.sleep(0.02)] * 40)
        async with running(hook) as on:
            on.enqueue(*(notice(id=f"n{n}") for n in range(40)))
            await on.until(lambda: len(on.outcomes()) == 40)
            assert hook.most_under_way == AT_ONCE
            assert {outcome for _, outcome in on.outcomes()} == {"sent"}

    asyncio.run(story())


def test_a_receiver_that_hangs_holds_up_no_other() -> None:
    async def story() -> None:
        over = asyncio.Event()
        stuck, well = ToldOutlet("stuck", *[waiting_for(over)] * 1000), ToldOutlet("well")
        async with running(stuck, well) as on:
            on.enqueue(*(notice(id=f"n{n}") for n in range(300)), outlet="stuck")
            await on.until(lambda: stuck.under_way == AT_ONCE)
            rung = time.perf_counter()
            on.enqueue(notice(), outlet="well")
            await on.until(lambda: well.sent)
            assert well.began[0] - rung < 1.0
            assert stuck.under_way == AT_ONCE
            on.bell.stop()
            over.set()

    asyncio.run(story())


def test_a_receiver_that_asks_for_time_gets_it_for_all_its_messages() -> None:
    async def story() -> None:
        busy = ToldOutlet("hook", Failed("answered 429", retry_after=1.0))
        async with running(busy) as on:
            on.enqueue(notice())
            await on.until(lambda: on.reports)
            asked = time.perf_counter()
            on.enqueue(notice(id="n2"))
            await on.until(lambda: len(busy.sent) == 3)
            assert min(busy.began[1:]) - asked > 0.9

    asyncio.run(story())


# --- the end


def test_a_stop_lets_what_is_under_way_end_and_hands_back_what_has_not_begun() -> None:
    async def story() -> None:
        hook = ToldOutlet("hook", *[lambda: asyncio.sleep(0.3)] * AT_ONCE)
        async with running(hook) as on:
            on.enqueue(*(notice(id=f"n{n}") for n in range(AT_ONCE + 3)))
            await on.until(lambda: hook.under_way == AT_ONCE)
            on.bell.stop()
            await asyncio.wait_for(asyncio.shield(on.task), 3.0)
            assert on.outbox.backlog() == {("hook", "waiting"): 3}
            assert len(hook.sent) == AT_ONCE

    asyncio.run(story())


def test_a_stop_ends_within_three_seconds_and_leaves_a_stuck_send_to_its_lease() -> None:
    async def story() -> None:
        hook = ToldOutlet("hook", for_ever)
        async with running(hook) as on:
            on.enqueue(notice())
            await on.until(lambda: hook.under_way == 1)
            began = time.monotonic()
            on.bell.stop()
            await asyncio.wait_for(asyncio.shield(on.task), 3.0)
            assert time.monotonic() - began < 3.0
            assert on.outbox.state("n7c1:1:hook")[0] == "sending"

    asyncio.run(story())


def test_a_stop_ends_within_three_seconds_while_the_store_hangs() -> None:
    asked, answers = threading.Event(), threading.Event()

    class Hanging(MemoryOutbox):
        def next_due(self, *, after: Instant | None = None) -> Instant | None:
            asked.set()
            answers.wait(10.0)
            return None

    async def story() -> None:
        async with running(outbox=Hanging()) as on:
            await on.until(asked.is_set)
            began = time.monotonic()
            on.bell.stop()
            await asyncio.wait_for(asyncio.shield(on.task), 3.0)
            assert time.monotonic() - began < 3.0
            answers.set()

    asyncio.run(story())


def test_what_a_dead_sender_had_claimed_is_sent_when_its_lease_has_run_out() -> None:
    async def story() -> None:
        outbox, hook = MemoryOutbox(), ToldOutlet()
        outbox.enqueue(new_delivery(notice()))
        clock = Clock()
        now = clock()
        assert outbox.claim(owner="dead", now=now, lease_until=now + SECOND // 5, limit=9)
        async with running(hook, outbox=outbox) as on:
            await on.until(lambda: hook.sent, within=2.0)
            assert hook.sent[0].attempts == 2

    asyncio.run(story())


def test_a_loop_that_is_cancelled_leaves_nothing_running() -> None:
    async def story() -> None:
        hook = ToldOutlet("hook", *[for_ever] * 20)
        async with running(hook) as on:
            on.enqueue(*(notice(id=f"n{n}") for n in range(10)))
            await on.until(lambda: hook.under_way == AT_ONCE)
            on.task.cancel()
            await asyncio.wait({on.task})
            assert hook.under_way == 0
            assert asyncio.all_tasks() == {asyncio.current_task()}
            on.bell.ring()

    asyncio.run(story())


def test_a_bell_may_be_rung_and_stopped_when_nobody_listens() -> None:
    bell = Bell()
    bell.ring()
    asyncio.run(_attach(bell))
    bell.ring()
    bell.stop()


async def _attach(bell: Bell) -> None:
    bell.attach()


def test_a_bell_that_was_stopped_before_the_start_ends_the_loop_at_once() -> None:
    outlets: Mapping[str, Outlet] = {}
    bell = Bell()
    bell.stop()
    asyncio.run(
        asyncio.wait_for(
            deliver(
                outbox=MemoryOutbox(),
                outlets=outlets,
                owner="me",
                clock=Clock(),
                chance=lambda: 0.5,
                bell=bell,
                report=lambda _: None,
            ),
            3.0,
        )
    )
