"""One instance's time in charge: all that hears, decides, writes and sends, built for one term of the lease.

It begins from what the store holds then and ends with its term or with the process, which has one at most.
Threads: the owner, the broker's connection, the deliveries' event loop, the answers to what is asked
elsewhere."""

from __future__ import annotations

import asyncio
import random
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass

import msgspec
import structlog

from service.domain import outage
from service.domain.events import OutletReport
from service.domain.hourly import LineHour
from service.domain.model import SECOND, Instant
from service.domain.shards import Division
from service.ears import Ears
from service.lease import Lease, follows_a_restore
from service.mqtt.client import RECEIVE_MAXIMUM
from service.news import News
from service.ports import NewDelivery, Outlet
from service.pulse import Pulse
from service.report import Report
from service.settings import Settings
from service.store import Store
from service.telemetry import Metrics
from service.trial import Trials
from service.usecases.asks import Answering
from service.usecases.batch import Ask, Committed
from service.usecases.deliver import Bell, OutTray, deliver
from service.usecases.hearsay import Hearsay
from service.usecases.owner import Owner
from service.waking import wake_up
from service.wire.native import Address

BACKLOG = RECEIVE_MAXIMUM // 2
"""A broker that keeps to what we ask for never has more than that on its way: the rest waits there."""
SENDER = "earlybell"
"""The same for every instance: only the one in charge sends, so what one before was sending is due at once
again."""
WORDS_KEPT = 7 * 24 * 3600 * SECOND
"""What we told other shards; who is away for longer has missed some of it."""
log = structlog.get_logger()
Spawn = Callable[[str, Callable[[], None]], threading.Thread]


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """What the process has in any case. ``committed`` is what readers see; ``sure``: nobody else can be in
    charge; ``clock`` is the wall's; ``division``: how the floor is divided, where it is."""

    settings: Settings
    store: Store
    committed: dict[str, bytes]
    outlets: Mapping[str, Outlet]
    news: News
    metrics: Metrics
    report: Report
    pulse: Pulse
    clock: Callable[[], Instant]
    sure: Callable[[], bool]
    division: Division | None = None


class Reign:
    """``start`` when built, ``stop`` at the end; the rest from any thread between."""

    def __init__(self, parts: Parts, lease: Lease) -> None:
        self.lease = lease
        self._parts = parts
        settings, report, pulse = parts.settings, parts.report, parts.pulse
        self._store = parts.store.under(lease.term)
        self._bell = Bell()
        self.ingest = wake_up(
            self._store,
            committed=parts.committed,
            settings=settings,
            clock=parts.clock,
            division=parts.division,
        )
        self.ears = Ears(
            settings,
            division=parts.division,
            ingest=self.ingest,
            put=lambda item: self.owner.put(item),  # noqa: PLW0108 (made later)
            has_room=lambda: self.owner.has_room(),  # noqa: PLW0108
            sure=parts.sure,
            clock=parts.clock,
            news=parts.news,
            metrics=parts.metrics,
            report=report,
            pulse=pulse,
            retained_anew=follows_a_restore(lease.term),
        )
        self.owner = Owner(
            ingest=self.ingest,
            ledger=self._store.ledger,
            acknowledge=self.ears.acknowledge,
            request=self.ears.request,
            announce=parts.news.commit,
            ring=self._bell.ring,
            report=self._report,
            resend=self.ears.resend,
            hears=self._hears,
            look=self.ears.look,
            beat=pulse.beater("owner"),
        )
        self.tray = OutTray(
            outbox=self._store.outbox, bell=self._bell, clock=parts.clock, report=report.sent_again
        )
        self._answering = Answering(
            asks=self._store.asks,
            put=self.owner.put,
            again=lambda delivery, by: self.tray.again(delivery, by=by),
            beat=pulse.beater("answers"),
        )
        others = () if parts.division is None else parts.division.others
        self._hearsay = Hearsay(
            {each.name: parts.store.words_of(each) for each in others},
            heard={each.shard: each.position for each in self.ingest.world.memory.heard.values()},
            put=self.owner.put,
            has_room=self.owner.has_room,
            missed=lambda shard: log.warning("word_missed", shard=shard),
            beat=lambda: pulse.beat("hearsay"),
        )
        self.trials = Trials(settings, settings.on_trial, counted=lambda: parts.committed, clock=parts.clock)
        self._troubled = outage.troubled(self.ingest.world)
        self._threads: list[threading.Thread] = []

    def start(self, spawn: Spawn) -> None:
        self._hearsay.look()  # what others know comes before what the floor says
        self._threads = [
            spawn("owner", self.owner.run),
            spawn("deliveries", self._deliver),
            spawn("answers", self._answering.run),
            *([] if self._parts.division is None else [spawn("hearsay", self._hearsay.run)]),
            *(spawn(name, run) for name, run in self.ears.threads()),
        ]
        self.trials.start()

    def fall_silent(self) -> None:
        """The term is over: nothing is acknowledged or published any more, and nothing new is sent."""
        self.ears.stop(silently=True)
        self.trials.stop()
        self.owner.stop()
        self._bell.stop()

    def stop(self, deadline: float, *, lost: bool) -> None:
        """Stop deciding and telling first, then hearing; what isn't acknowledged comes again. ``lost``: the
        term is over, and nothing more is said to anyone."""
        if lost:
            self.fall_silent()
        self.owner.stop()
        self._answering.stop()
        self._hearsay.stop()
        self._bell.stop()
        self.trials.stop()
        deciding, hearing = self._threads[:3], self._threads[3:]
        for thread in deciding:
            thread.join(max(0.1, deadline - time.monotonic()))
        if not lost:
            self.ears.stop()
        for thread in hearing:
            thread.join(max(0.1, deadline - time.monotonic()))

    def not_ready(self, *, store_healthy: bool) -> Iterator[str]:
        """Why it isn't ready: broker, store, backlog."""
        yield from self.ears.not_ready()
        if self.owner.trouble is not None:
            yield f"store: {self.owner.trouble}"
        elif not store_healthy:
            yield "store: can't be reached, or isn't at this program's revision"
        if self.owner.waiting() > BACKLOG:
            yield f"backlog: {self.owner.waiting()} messages wait"

    def tick(self) -> None:
        metrics = self._parts.metrics
        self.owner.tick()
        metrics.inbound_waiting.set(self.owner.waiting())
        metrics.broker_connected.set(1 if self.ears.main.ready else 0)
        # A copy, because the owner's thread adds stations meanwhile.
        metrics.slots_known.set(sum(len(each.slots) for each in list(self.ingest.world.stations.values())))

    def say(self, deliveries: Sequence[NewDelivery]) -> None:
        """Send what is no notice."""
        self._store.outbox.add(deliveries)
        self._bell.ring()

    def prove(self, outlet: str) -> None:
        """It was seen to take messages: no waiting any more."""
        self._bell.prove(outlet)

    def save_hours(self, begin: Instant, figures: Sequence[LineHour], *, rolled: Instant) -> None:
        """Keep the figures of an hour, as the one in charge."""
        self._store.hours.save(begin, figures, rolled=rolled)

    def prune(self, *, before: Instant) -> int:
        days = self._parts.settings.store.keep_stays_days
        old = None if days is None else self._parts.clock() - days * 24 * 3600 * SECOND
        told = self._store.words.forget(before=self._parts.clock() - WORDS_KEPT)
        return told + self._store.ledger.prune(before=before, stays_before=old)

    def _report(
        self, committed: Sequence[Committed], *, seconds: float, items: int, waited: float | None
    ) -> None:
        try:
            self._parts.report.committed(committed, seconds=seconds, items=items, waited=waited)
        except Exception:  # counting and logging must never cost a count
            log.exception("report_failed")
        self.ears.note(committed)

    def _hears(self) -> bool:
        return self.ears.hear() and self.owner.waiting() <= BACKLOG

    def _tell_of_outlet(self, report: OutletReport) -> None:
        """To the owner, by the way of everything that happens."""
        data = msgspec.json.encode(report)
        self.owner.put(Ask(Address("outlet", "", None), report, data, Future()))

    def _deliver(self) -> None:
        asyncio.run(self._deliver_until_stopped())

    async def _beat(self) -> None:
        beat = self._parts.pulse.beater("deliveries")
        while True:
            beat()
            await asyncio.sleep(1)

    async def _deliver_until_stopped(self) -> None:
        beating = asyncio.create_task(self._beat())
        parts = self._parts
        try:
            await deliver(
                outbox=self._store.outbox,
                outlets=parts.outlets,
                owner=SENDER,
                clock=parts.clock,
                chance=random.random,
                bell=self._bell,
                report=parts.report.attempted,
                tell=self._tell_of_outlet,
                troubled=self._troubled,
                in_charge=parts.sure,
            )
        finally:
            beating.cancel()
            for outlet in parts.outlets.values():
                await outlet.close()
