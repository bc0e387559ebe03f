"""The delivery loop: claims what waits in the outbox, sends it, writes down how it ended. For ever.

Only what its lane has room for is claimed, and sent at once. Order within a conversation is the outbox's
promise, not the lanes'. Nothing is forgotten here: a send that is cut off, by a stop or by a crash, comes
again under the same key: at once when its own sender is back, else when its lease has run out.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Collection, Coroutine, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial
from typing import Any, ParamSpec, TypeVar, cast

from service.crash import point
from service.domain.events import OutletReport
from service.domain.model import SECOND, Instant
from service.ports import Bundling, Delivered, Delivery, Failed, Outbox, Outlet, StoreError
from service.usecases.deliver.attempt import Attempt, Outcome, StoreTrouble
from service.usecases.deliver.bell import Bell
from service.usecases.deliver.bundling import messages
from service.usecases.deliver.ends import judge, put_off, untold
from service.usecases.deliver.lane import Lane
from service.usecases.deliver.telling import is_moot
from service.usecases.deliver.writing import LEASE, STORE_PAUSE, Writing

P = ParamSpec("P")
R = TypeVar("R")

ATTEMPT = 20.0
"""Seconds: an outlet promises to end within 15; one that doesn't is cut off."""
SAFETY = 1.0
"""Seconds: the loop looks at the outbox at least so often, should a ring have been lost."""
GRACE = 2.0
"""Seconds: what a stop leaves the sends under way to end."""


async def deliver(
    *,
    outbox: Outbox,
    outlets: Mapping[str, Outlet],
    owner: str,
    clock: Callable[[], Instant],
    chance: Callable[[], float],
    bell: Bell,
    report: Callable[[Attempt | StoreTrouble], None],
    tell: Callable[[OutletReport], None] = lambda _: None,
    troubled: Collection[str] = (),
    in_charge: Callable[[], bool] = lambda: True,
) -> None:
    """Deliver until ``bell`` is stopped; returns within 3 s of that.

    ``clock`` is wall time (receivers check it), ``chance`` gives numbers in [0, 1). ``report`` is called in
    the event loop and must not block; what it raises is ignored. So is ``tell``, when an outlet turns out to
    fail or is well again; ``troubled`` are those that others were told of before. What was claimed is sent
    only while ``in_charge``: another may be sending it meanwhile. An error of the outbox that isn't a
    ``StoreError`` ends the loop: the lease is lost, or it is a mistake in the program, which must be seen.
    """
    names = [*outlets, *(name for name in troubled if name not in outlets)]
    lanes = {name: Lane(name, outlets.get(name), told=name in troubled) for name in names}
    loop = _Loop(
        outbox=outbox,
        owner=owner,
        clock=clock,
        chance=chance,
        bell=bell,
        report=report,
        tell=tell,
        lanes=lanes,
        in_charge=in_charge,
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
    tell: Callable[[OutletReport], None]
    lanes: dict[str, Lane]
    in_charge: Callable[[], bool]
    tasks: set[asyncio.Task[None]] = field(default_factory=set)
    threads: ThreadPoolExecutor = field(default_factory=_own_threads)
    in_trouble: bool = False
    resumed: bool = False
    mistake: BaseException | None = None
    writing: Writing = field(init=False)

    def __post_init__(self) -> None:
        self.writing = Writing(
            outbox=self.outbox,
            owner=self.owner,
            clock=self.clock,
            bell=self.bell,
            call=self._call,
            trouble=self._note_trouble,
            mistake=self._note_mistake,
        )

    async def run(self) -> None:
        while not self.bell.stopping:
            await self.bell.rung(within=await self._look())
            if self.mistake is not None:
                raise self.mistake

    async def finish(self, work: asyncio.Task[None]) -> None:
        """Let what is under way come to its end, within the grace."""
        await asyncio.wait({work, *self.tasks}, timeout=GRACE)

    async def abandon(self, *others: asyncio.Task[None]) -> None:
        self.bell.stop()  # when cancelled from outside: what ends now must not start the next
        pending = [*others, *self.tasks]
        for task in pending:
            task.cancel()
        await asyncio.gather(*pending, return_exceptions=True)
        self.threads.shutdown(wait=False, cancel_futures=True)

    async def _look(self) -> float:
        """Claim what is due and has room; how many seconds until it is worth looking again."""
        for name in self.bell.take_revived():
            self._lane(name).revive()
        try:
            await self._resume()
            for name in self.bell.take_proved():
                await self._believe(self._lane(name))
            due = [self._lane(name) for name in await self._call(self.outbox.due, now=self.clock())]
            for lane in due:
                await self._claim(lane)
            now = self.clock()
            upcoming = await self._call(self.outbox.next_due, after=now)
        except StoreError as error:
            self._note_trouble(error)
            return STORE_PAUSE
        finally:
            self._note_health()
        self._note_trouble(None)
        # What is due and has neither room nor a time for it waits for the end of something, which will ring.
        moments = [lane.opens_at(now) for lane in due] + ([] if upcoming is None else [upcoming])
        ahead = min((moment - now for moment in moments if moment > now), default=SAFETY * SECOND) / SECOND
        return min(ahead, SAFETY)

    async def _resume(self) -> None:
        """Once: what an earlier life was sending is due, and each lane goes on where it left off."""
        if self.resumed:
            return
        await self._call(self.outbox.take_back, owner=self.owner, now=self.clock())
        kept = await self._call(self.outbox.traffic)
        for name in kept.keys() & self.lanes.keys():
            self.lanes[name].resume(kept[name], self.clock())
        self.resumed = True

    def _lane(self, name: str) -> Lane:
        return self.lanes.setdefault(name, Lane(name, None))

    async def _believe(self, lane: Lane) -> None:
        lane.prove(self.clock())
        await self._call(self.outbox.remember, lane.name, lane.traffic)

    async def _claim(self, lane: Lane) -> None:
        """Claim what may go now, and send it: each change for itself, or as messages that bundle them."""
        if not self.in_charge():
            return
        now = self.clock()
        if lane.bundles and lane.disabled is None and not lane.traffic.half_open:
            await self._claim_bundle(lane, now)
            return
        room = lane.room(now)
        if not room.rows:
            return
        rows = await self._take(lane, now, limit=room.rows, since=room.since)
        self._start(lane, [[each] for each in self._worth_telling(lane, rows)], now)

    async def _claim_bundle(self, lane: Lane, now: Instant) -> None:
        for wish in lane.wishes(now):
            limit, tried, pressing = wish.rows, wish.tried, wish.pressing
            rows = await self._take(lane, now, limit=limit, bundle=True, tried=tried, pressing=pressing)
            if rows:
                lane.old_first = tried is False
                told = self._worth_telling(lane, rows)
                self._start(lane, messages(told, at_most=wish.messages), now)
                return

    async def _take(self, lane: Lane, now: Instant, **which: Any) -> list[Delivery]:
        return await self._call(
            partial(self.outbox.claim, **which),
            owner=self.owner,
            now=now,
            lease_until=now + LEASE,
            outlet=lane.name,
        )

    def _worth_telling(self, lane: Lane, rows: Sequence[Delivery]) -> list[Delivery]:
        """What isn't moot; what is ends here."""
        moot = [each for each in rows if lane.bundles and is_moot(each)]
        if moot:
            self._spawn(self._drop(lane, moot))
        return [each for each in rows if each not in moot]

    def _start(self, lane: Lane, bundles: Sequence[Sequence[Delivery]], now: Instant) -> None:
        for bundle in bundles:
            if self.bell.stopping:
                self._spawn(self._put_off(bundle))
            else:
                lane.begins(now)
                self._spawn(self._attempt(lane, bundle))

    async def _attempt(self, lane: Lane, bundle: Sequence[Delivery]) -> None:
        time = asyncio.get_running_loop().time
        began, now = time(), self.clock()
        try:
            if not self.in_charge():
                await self._put_off(bundle)
                return
            point("before_send")
            outcome = await self._send(lane, bundle, now)
            point("after_send_before_mark")
            seconds, disabled = time() - began, lane.disabled
            ends = judge(lane, bundle, outcome, self.clock(), chance=self.chance)
            disables = disabled is None and lane.disabled is not None
            losses = await self.writing.settle(bundle, ends)
            point("after_mark")
            for delivery, settled, lost in zip(bundle, ends, losses, strict=True):
                said: Outcome = "lost" if lost else settled.state
                error = lost or settled.error
                self._tell(delivery, said, seconds=seconds, error=error, disables=disables)
        finally:
            lane.running -= 1
            self.bell.ring()  # the next row of this conversation may be free now

    async def _send(self, lane: Lane, bundle: Sequence[Delivery], now: Instant) -> Delivered | Failed:
        if lane.outlet is None:
            return Failed("no outlet of this name in the configuration")
        if lane.disabled is not None:
            return Failed(f"the outlet is disabled: {lane.disabled}", final=True)
        try:
            async with asyncio.timeout(ATTEMPT):
                if len(bundle) == 1:
                    return await lane.outlet.send(bundle[0], now=now)
                return await cast(Bundling, lane.outlet).send_many(bundle, now=now)
        except TimeoutError:
            return Failed(f"no end within {ATTEMPT:g} s", away=True)
        except Exception as error:  # one bad send must not end the others; its text might hold a secret
            return Failed(f"unexpected {type(error).__name__}")

    async def _put_off(self, bundle: Sequence[Delivery]) -> None:
        ends = [put_off(each, self.clock()) for each in bundle]
        for delivery, lost in zip(bundle, await self.writing.settle(bundle, ends), strict=True):
            self._tell(delivery, "lost" if lost else "put off", seconds=0.0, error=lost)

    async def _drop(self, lane: Lane, moot: Sequence[Delivery]) -> None:
        """What need not be told any more, with all that waits behind it of the same story."""
        ends = [untold(each, self.clock()) for each in moot]
        for delivery, lost in zip(moot, await self.writing.settle(moot, ends), strict=True):
            lane.gave_up(delivery.conversation)
            self._tell(delivery, "lost" if lost else "replaced", seconds=0.0, error=lost)
        self.bell.ring()

    def _tell(
        self,
        delivery: Delivery,
        outcome: Outcome,
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

    def _note_health(self) -> None:
        now = self.clock()
        for lane in self.lanes.values():
            if lane.turns_to_trouble(now):
                lane.told = True
                self.tell(lane.trouble())
            elif lane.turns_well(now):
                lane.told = False
                self.tell(OutletReport(outlet=lane.name, state="well"))

    def _note_trouble(self, error: StoreError | None) -> None:
        if (error is not None) != self.in_trouble:
            self.in_trouble = error is not None
            self._report(StoreTrouble(None if error is None else str(error) or type(error).__name__))

    def _note_mistake(self, mistake: BaseException) -> None:
        self.mistake = mistake

    def _report(self, event: Attempt | StoreTrouble) -> None:
        with contextlib.suppress(Exception):  # counting and logging must never cost a delivery
            self.report(event)

    async def _call(self, function: Callable[P, R], *args: P.args, **kwargs: P.kwargs) -> R:
        call = partial(function, *args, **kwargs)
        return await asyncio.get_running_loop().run_in_executor(self.threads, call)

    def _spawn(self, coroutine: Coroutine[None, None, None]) -> None:
        task = asyncio.get_running_loop().create_task(coroutine)
        self.tasks.add(task)
        task.add_done_callback(self._ended)

    def _ended(self, task: asyncio.Task[None]) -> None:
        self.tasks.discard(task)
        if not task.cancelled() and task.exception() is not None:
            self.mistake = task.exception()
            self.bell.ring()
