"""The delivery loop: claims what waits in the outbox, sends it, writes down how it ended. For ever.

Each outlet has a lane of its own: a receiver that hangs fills its lane and no other. Order within a
conversation is the outbox's promise, not the lanes'. Nothing is forgotten here: a send that is cut off, by a
stop or by a crash, comes again under the same key: at once when its own sender is back, else when its lease
has run out.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import deque
from collections.abc import Callable, Coroutine, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from typing import Literal, ParamSpec, TypeVar

from service.domain.backoff import LONGEST, asked_seconds, next_try, wait_seconds
from service.domain.model import SECOND, Instant, NoticeState
from service.ports import Delivered, Delivery, Failed, Outbox, Outlet, Settled, StoreError
from service.usecases.deliver.bell import Bell
from service.usecases.deliver.telling import telling

P = ParamSpec("P")
R = TypeVar("R")

LEASE = 45 * SECOND
ATTEMPT = 20.0
"""Seconds: an outlet promises to end within 15; one that doesn't is cut off."""
AT_ONCE = 4
"""Sends under way to one outlet."""
CLAIM = 64
HELD = 1000
"""Claimed rows that may wait for their turn at one outlet; more are put off, so that claiming goes on."""
SAFETY = 1.0
"""Seconds: the loop looks at the outbox at least so often, should a ring have been lost."""
STORE_PAUSE = 0.5
GRACE = 2.0
"""Seconds: what a stop leaves the sends under way to end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempt:
    """How one attempt ended, for log and metrics.

    ``put off``: not tried, the outlet was busy. ``lost``: its end could not be written, so it comes again.
    ``seconds`` is what sending took, ``age`` the time since the change was committed; ``disables`` says that
    the outlet takes nothing more until the program is started again.
    """

    outlet: str
    key: str
    notice: str
    attempts: int
    outcome: Literal["sent", "waiting", "dead", "put off", "lost"]
    seconds: float
    age: float
    error: str | None = None
    disables: bool = False


@dataclass(frozen=True, slots=True)
class StoreTrouble:
    """The outbox can't be reached (``error`` says why), or can again (``None``); once for each outage."""

    error: str | None


async def deliver(
    *,
    outbox: Outbox,
    outlets: Mapping[str, Outlet],
    owner: str,
    clock: Callable[[], Instant],
    chance: Callable[[], float],
    bell: Bell,
    report: Callable[[Attempt | StoreTrouble], None],
) -> None:
    """Deliver until ``bell`` is stopped; returns within 3 s of that.

    ``clock`` is wall time (receivers check it), ``chance`` gives numbers in [0, 1). ``report`` is called in
    the event loop and must not block; what it raises is ignored. An error of the outbox that isn't a
    ``StoreError`` ends the loop: a mistake in the program must be seen.
    """
    loop = _Loop(
        outbox=outbox,
        owner=owner,
        clock=clock,
        chance=chance,
        bell=bell,
        report=report,
        lanes={name: _Lane(outlet) for name, outlet in outlets.items()},
    )
    bell.attach()
    work = asyncio.create_task(loop.run())
    stop = asyncio.create_task(bell.stopped())
    try:
        await asyncio.wait({work, stop}, return_when=asyncio.FIRST_COMPLETED)
        await loop.finish(work)
        if work.done():
            work.result()
    finally:
        await loop.abandon(work, stop)


@dataclass(slots=True)
class _Lane:
    """One outlet's share of the loop; without an ``outlet`` the configuration no longer has it."""

    outlet: Outlet | None
    running: int = 0
    held: deque[tuple[Delivery, Instant]] = field(default_factory=deque)
    failing: bool = False
    paused_until: Instant = 0
    disabled: str | None = None


def _own_threads() -> ThreadPoolExecutor:
    """Not the event loop's common pool: a name look-up that hangs there must not hold up the outbox."""
    return ThreadPoolExecutor(max_workers=4, thread_name_prefix="outbox")


@dataclass(slots=True, kw_only=True)
class _Loop:
    outbox: Outbox
    owner: str
    clock: Callable[[], Instant]
    chance: Callable[[], float]
    bell: Bell
    report: Callable[[Attempt | StoreTrouble], None]
    lanes: dict[str, _Lane]
    tasks: set[asyncio.Task[None]] = field(default_factory=set)
    threads: ThreadPoolExecutor = field(default_factory=_own_threads)
    in_trouble: bool = False
    took_back: bool = False

    async def run(self) -> None:
        while not self.bell.stopping:
            await self.bell.rung(within=await self._look())

    async def finish(self, work: asyncio.Task[None]) -> None:
        """Hand back what hasn't begun, and let what has come to its end, within the grace."""
        for lane in self.lanes.values():
            while lane.held:
                self._put_off(lane.held.popleft()[0], self.clock())
        await asyncio.wait({work, *self.tasks}, timeout=GRACE)

    async def abandon(self, *others: asyncio.Task[None]) -> None:
        self.bell.stop()  # when cancelled from outside: what ends now must not start the next
        pending = [*others, *self.tasks]
        for task in pending:
            task.cancel()
        await asyncio.gather(*pending, return_exceptions=True)
        self.threads.shutdown(wait=False, cancel_futures=True)

    async def _look(self) -> float:
        """Claim all that is due; how many seconds until it is worth looking again."""
        try:
            if not self.took_back:
                await self._call(self.outbox.take_back, owner=self.owner, now=self.clock())
                self.took_back = True
            while not self.bell.stopping and await self._claim() == CLAIM:
                pass
            due = await self._call(self.outbox.next_due)
        except StoreError as error:
            self._note_trouble(error)
            return STORE_PAUSE
        self._note_trouble(None)
        # A row that is due and wasn't claimed waits behind another of its conversation, whose end will ring.
        ahead = SAFETY if due is None else (due - self.clock()) / SECOND
        return ahead if 0 < ahead < SAFETY else SAFETY

    async def _claim(self) -> int:
        now = self.clock()
        lease = now + LEASE
        rows = await self._call(self.outbox.claim, owner=self.owner, now=now, lease_until=lease, limit=CLAIM)
        for delivery in rows:
            self._place(delivery, lease)
        return len(rows)

    def _place(self, delivery: Delivery, lease: Instant) -> None:
        lane = self.lanes.setdefault(delivery.outlet, _Lane(None))
        now = self.clock()
        if self.bell.stopping:
            self._put_off(delivery, now)
        elif now < lane.paused_until:
            self._put_off(delivery, lane.paused_until + self._wait(1))
        elif lane.running >= AT_ONCE and len(lane.held) >= HELD:
            self._put_off(delivery, now + self._wait(9 if lane.failing else 1))
        else:
            lane.held.append((delivery, lease))
            self._go_on(lane)

    def _go_on(self, lane: _Lane) -> None:
        """Start what the lane has room for."""
        while lane.held and lane.running < AT_ONCE and not self.bell.stopping:
            delivery, lease = lane.held.popleft()
            now = self.clock()
            if now < lane.paused_until:
                self._put_off(delivery, lane.paused_until + self._wait(1))
            elif lease - now < ATTEMPT * SECOND:  # another would claim it while it is being sent
                self._put_off(delivery, now + self._wait(9 if lane.failing else 1))
            else:
                lane.running += 1
                self._spawn(self._attempt(lane, delivery))

    def _wait(self, attempts: int) -> Instant:
        return round(wait_seconds(attempts, chance=self.chance()) * SECOND)

    async def _attempt(self, lane: _Lane, delivery: Delivery) -> None:
        time = asyncio.get_running_loop().time
        began = time()
        try:
            outcome = await self._send(lane, delivery)
            seconds = time() - began
            disables = isinstance(outcome, Failed) and outcome.final and lane.disabled is None
            settled = self._judge(lane, delivery, outcome)
            lost = await self._settle(delivery, settled)
            error = lost or settled.error
            said = "lost" if lost else settled.state
            self._tell(delivery, said, seconds=seconds, error=error, disables=disables)
        finally:
            lane.running -= 1
            self._go_on(lane)
            self.bell.ring()  # the next row of this conversation may be free now

    async def _send(self, lane: _Lane, delivery: Delivery) -> Delivered | Failed:
        if lane.outlet is None:
            return Failed("no outlet of this name in the configuration")
        if lane.disabled is not None:
            return Failed(f"the outlet is disabled: {lane.disabled}", final=True)
        try:
            async with asyncio.timeout(ATTEMPT):
                return await lane.outlet.send(delivery, now=self.clock())
        except TimeoutError:
            return Failed(f"no end within {ATTEMPT:g} s")
        except Exception as error:  # one bad send must not end the others; its text might hold a secret
            return Failed(f"unexpected {type(error).__name__}")

    def _judge(self, lane: _Lane, delivery: Delivery, outcome: Delivered | Failed) -> Settled:
        now = self.clock()
        covers = telling(delivery).notice.version
        lane.failing = isinstance(outcome, Failed)
        if isinstance(outcome, Delivered):
            return Settled(state="sent", at=now, covers=covers)
        if outcome.final:
            lane.disabled = lane.disabled or outcome.reason
            return Settled(state="dead", at=now, covers=covers, error=outcome.reason)
        # A receiver that asks for time asks it for all messages, but is never left alone for longer than it
        # may take until we see that it is well again.
        pause = min(asked_seconds(outcome.retry_after), LONGEST)
        lane.paused_until = max(lane.paused_until, now + round(pause * SECOND))
        again = next_try(
            delivery.attempts,
            now=now,
            created_at=delivery.created_at,
            closed=(delivery.latest or delivery.notice).state == NoticeState.CLOSED,
            chance=self.chance(),
            retry_after=outcome.retry_after,
        )
        if again is None:
            return Settled(state="dead", at=now, covers=covers, error=outcome.reason)
        return Settled(state="waiting", at=now, covers=covers, not_before=again, error=outcome.reason)

    def _put_off(self, delivery: Delivery, until: Instant) -> None:
        self._spawn(self._write_put_off(delivery, until))

    async def _write_put_off(self, delivery: Delivery, until: Instant) -> None:
        covers = delivery.notice.version
        settled = Settled(state="waiting", at=self.clock(), covers=covers, not_before=until)
        lost = await self._settle(delivery, settled)
        self._tell(delivery, "lost" if lost else "put off", seconds=0.0, error=lost)

    async def _settle(self, delivery: Delivery, settled: Settled) -> str | None:
        """Write the end down; why that could not be done, or ``None``. Tries for as long as the lease may
        last: a good send that isn't written down is sent twice."""
        give_up = self.clock() + LEASE
        while True:
            try:
                ours = await self._call(self.outbox.settle, delivery, owner=self.owner, settled=settled)
                return None if ours else "the lease had run out"
            except StoreError as error:
                self._note_trouble(error)
                if self.bell.stopping or self.clock() >= give_up:
                    return "the store is away"
                await asyncio.sleep(STORE_PAUSE)
            except Exception as error:  # one row that can't be written must not end the others
                return f"unexpected {type(error).__name__}"

    def _tell(
        self,
        delivery: Delivery,
        outcome: Literal["sent", "waiting", "dead", "put off", "lost"],
        *,
        seconds: float,
        error: str | None = None,
        disables: bool = False,
    ) -> None:
        self._report(
            Attempt(
                outlet=delivery.outlet,
                key=delivery.key,
                notice=delivery.notice.id,
                attempts=delivery.attempts,
                outcome=outcome,
                seconds=seconds,
                age=max(0, self.clock() - delivery.created_at) / SECOND,
                error=error,
                disables=disables,
            )
        )

    def _note_trouble(self, error: StoreError | None) -> None:
        if (error is not None) != self.in_trouble:
            self.in_trouble = error is not None
            self._report(StoreTrouble(None if error is None else str(error) or type(error).__name__))

    def _report(self, event: Attempt | StoreTrouble) -> None:
        with contextlib.suppress(Exception):  # counting and logging must never cost a delivery
            self.report(event)

    async def _call(self, function: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> R:
        call = partial(function, *args, **kwargs)
        return await asyncio.get_running_loop().run_in_executor(self.threads, call)

    def _spawn(self, coroutine: Coroutine[None, None, None]) -> None:
        task = asyncio.get_running_loop().create_task(coroutine)
        self.tasks.add(task)
        task.add_done_callback(self.tasks.discard)
