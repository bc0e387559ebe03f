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
from functools import partial

import msgspec
import structlog

from service import outside
from service.domain import gateways, outage
from service.domain.events import GatewayReport, OutletReport
from service.domain.hourly import LineHour
from service.domain.model import SECOND, Instant
from service.incoming import Listening
from service.lease import Lease
from service.mqtt.client import Broker, Connection
from service.mqtt.host import Host
from service.news import News
from service.ports import NewDelivery, Outlet
from service.pulse import Pulse
from service.replies import Replies
from service.report import Report
from service.settings import Settings
from service.store import Store
from service.telemetry import Metrics
from service.trial import Trial, Trials
from service.usecases.asks import Answering
from service.usecases.batch import Ask, Committed, Inbound, Turn
from service.usecases.deliver import Bell, OutTray, deliver
from service.usecases.figures import Figures
from service.usecases.owner import Owner
from service.usecases.reach import Reach
from service.usecases.resend import Resend
from service.waking import wake_up
from service.wire.gateway import Request
from service.wire.native import Address

BACKLOG = 2000
SENDER = "earlybell"
"""The same for every instance: only the one in charge sends, so what one before was sending is due at once
again."""
log = structlog.get_logger()
Spawn = Callable[[str, Callable[[], None]], threading.Thread]


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """What the process has in any case. ``committed`` is what readers see; ``sure``: nobody else can be in
    charge; ``clock`` is the wall's."""

    settings: Settings
    store: Store
    committed: dict[str, bytes]
    broker: Broker
    source_brokers: Mapping[str, Broker]
    outlets: Mapping[str, Outlet]
    news: News
    metrics: Metrics
    report: Report
    pulse: Pulse
    clock: Callable[[], Instant]
    sure: Callable[[], bool]


class Reign:
    """``start`` when built, ``stop`` at the end; the rest from any thread between."""

    def __init__(self, parts: Parts, lease: Lease) -> None:
        self.lease = lease
        self._parts = parts
        settings, report, pulse = parts.settings, parts.report, parts.pulse
        self._store = parts.store.under(lease.term)
        self._bell = Bell()
        self.ingest = wake_up(self._store, committed=parts.committed, settings=settings, clock=parts.clock)
        self.connection = Connection(
            parts.broker,
            topics=[f"{settings.mqtt.floor_root}/#"],
            receive=partial(self._receive, ""),
            has_room=lambda: self.owner.has_room(),  # noqa: PLW0108 (made later)
            log=log.info,
            connected=parts.news.tell_all,
            session_lost=self._note_session_lost,
            had_session=self._was_heard(""),
            beat=pulse.beater("broker"),
            may_connect=parts.sure,
        )
        self.sources = {
            name: self._connect_source(name, broker) for name, broker in parts.source_brokers.items()
        }
        elsewhere = outside.contracts_elsewhere(settings)
        self._replies = Replies({name: self.sources[name] for name in elsewhere})
        parts.news.reply_by(self._replies.say)
        self._figures = Figures(self._connections(), since=parts.clock())
        patience = {each.name: each.silent_after for each in settings.sources if not each.trial}
        self._reach = Reach({"": None, **patience}, gateways.silent(self.ingest.world))
        self._resend = Resend(
            publish=self.connection.publish,
            reply=self._replies.say,
            root=settings.mqtt.out_root,
            report=report.asked,
        )
        self.owner = Owner(
            ingest=self.ingest,
            ledger=self._store.ledger,
            acknowledge=self._acknowledge,
            request=self._request,
            announce=parts.news.commit,
            ring=self._bell.ring,
            report=self._report,
            resend=self._resend,
            hears=self._hears,
            look=self._look_at_sources,
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
        self.trials = Trials(
            {
                each.name: Trial(
                    each.name,
                    each.translator(settings.site.timezone),
                    outside.source_broker(settings, each),
                    policy=settings.policy(),
                    counted=lambda: parts.committed,
                    clock=parts.clock,
                )
                for each in settings.sources
                if each.trial
            }
        )
        self._troubled = outage.troubled(self.ingest.world)
        self._threads: list[threading.Thread] = []

    def start(self, spawn: Spawn) -> None:
        self._threads = [
            spawn("owner", self.owner.run),
            spawn("deliveries", self._deliver),
            spawn("answers", self._answering.run),
            spawn("broker", self.connection.run),
            *(spawn(f"source {name}", each.run) for name, each in self.sources.items()),
        ]
        self.trials.start()

    def fall_silent(self) -> None:
        """The term is over: nothing is acknowledged or published any more, and nothing new is sent."""
        for connection in self._connections().values():
            connection.stop(silently=True)
        self.owner.stop()
        self._bell.stop()

    def stop(self, deadline: float, *, lost: bool) -> None:
        """Stop deciding and telling first, then hearing; what isn't acknowledged comes again. ``lost``: the
        term is over, and nothing more is said to anyone."""
        if lost:
            self.fall_silent()
        self.owner.stop()
        self._answering.stop()
        self._bell.stop()
        self.trials.stop()
        deciding, hearing = self._threads[:3], self._threads[3:]
        for thread in deciding:
            thread.join(max(0.1, deadline - time.monotonic()))
        if not lost:
            for connection in self._connections().values():
                connection.stop()
        for thread in hearing:
            thread.join(max(0.1, deadline - time.monotonic()))

    def not_ready(self, *, store_healthy: bool) -> Iterator[str]:
        """Why it isn't ready: broker, store, backlog."""
        if not self.connection.ready:
            yield f"broker: {self.connection.trouble}"
        for name, source in self.sources.items():
            if not source.ready:
                yield f"source {name}: {source.trouble}"
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
        metrics.broker_connected.set(1 if self.connection.ready else 0)
        metrics.notices_open.set(sum(len(names) for names in list(self.ingest.world.watched.values())))

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
        return self._store.ledger.prune(before=before, stays_before=old)

    def listening(self) -> Mapping[str, Listening]:
        """How each source is heard, that of ``[mqtt]`` under ``""``."""
        now = self._parts.clock()
        return {
            name: Listening(
                connected=each.ready,
                trouble=each.trouble,
                silent_since=self._reach.silent_since(name),
                heard=self._figures.heard(name, now),
                counted=self._figures.counted(name),
                gaps=self.ingest.sources.gaps(name),
            )
            for name, each in self._connections().items()
        }

    def _connections(self) -> Mapping[str, Connection]:
        return {"": self.connection, **self.sources}

    def _look_at_sources(self, now: Instant, steady: float) -> Sequence[GatewayReport]:
        self._figures.look(self.ingest.world.stations.values())
        connected = {name: each.ready for name, each in self._connections().items()}
        return self._reach.look(now, steady, connected=connected, messages=self._figures.messages())

    def _report(self, committed: Sequence[Committed], *, seconds: float, items: int) -> None:
        self._parts.report.committed(committed, seconds=seconds, items=items)
        self._figures.note(committed, self._parts.clock())

    def _connect_source(self, name: str, broker: Broker) -> Connection:
        host = None if broker.host_id is None else Host(broker.host_id)
        return Connection(
            broker,
            topics=self.ingest.sources.filters(name),
            receive=partial(self._receive, name),
            has_room=lambda: self.owner.has_room(),  # noqa: PLW0108 (made later)
            log=partial(log.info, source=name),
            connected=partial(self._source_connected, name),
            session_lost=self._parts.metrics.sessions_lost.inc,
            had_session=self._was_heard(name),
            beat=self._parts.pulse.beater(f"source {name}"),
            may_connect=self._parts.sure,
            lasting=host is None,
            presence=host,
        )

    def _source_connected(self, name: str) -> None:
        self.owner.put(Turn(name))
        self._replies.again(name)

    def _was_heard(self, source: str) -> bool:
        """In an earlier life, so that its broker should know us."""
        return any(each.source.name == source for each in self.ingest.world.stations.values())

    def _hears(self) -> bool:
        """Any of the floor; that one source alone isn't heard is known of the source."""
        heard = any(each.ready for each in self._connections().values())
        return heard and self.owner.waiting() <= BACKLOG

    def _connection_of(self, source: str) -> Connection:
        return self.sources[source] if source else self.connection

    def _acknowledge(self, source: str, tokens: list[tuple[int, int]]) -> None:
        self._connection_of(source).acknowledge(tokens)

    def _request(self, source: str, requests: list[Request]) -> None:
        for each in requests:
            self._connection_of(source).publish([(each.topic, each.payload, each.retain)], qos=each.qos)

    def _receive(
        self, source: str, topic: bytes, payload: bytes, retained: bool, token: tuple[int, int]
    ) -> None:
        self.owner.put(Inbound(topic, payload, retained, token, source))

    def _tell_of_outlet(self, report: OutletReport) -> None:
        """To the owner, by the way of everything that happens."""
        data = msgspec.json.encode(report)
        self.owner.put(Ask(Address("outlet", "", None), report, data, Future()))

    def _note_session_lost(self) -> None:
        self._parts.metrics.sessions_lost.inc()
        self._resend.forget()

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
