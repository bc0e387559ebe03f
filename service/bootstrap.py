"""The composition root: builds every part, starts the threads, stops them in order. The only place with
the clock.

Threads: the owner (decides and commits), the broker's connection, the announcer, the deliveries' event
loop, the ticker; the web server runs in the main thread. A thread that dies ends the process, so that a
supervisor sees it."""

from __future__ import annotations

import asyncio
import contextlib
import random
import signal
import socket
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from zoneinfo import ZoneInfo

import msgspec
import structlog
from apscheduler.schedulers.background import BackgroundScheduler

from service import outside
from service.domain import outage
from service.domain.events import OutletReport
from service.domain.model import SECOND, Instant
from service.domain.world import World
from service.entrance import make_door
from service.mqtt.client import Connection
from service.ports import StoreError
from service.pulse import STUCK_AFTER, Pulse, Watchdog
from service.report import Report
from service.settings import Settings
from service.store import Store, open_store
from service.telemetry import Metrics
from service.usecases.announce import Announcer
from service.usecases.deliver import Bell, OutTray, deliver
from service.usecases.desk import AskingDesk
from service.usecases.ingest import Ask, Inbound, Ingest
from service.usecases.owner import Owner
from service.usecases.resend import Resend
from service.usecases.show import Shown
from service.web.api import create_app
from service.web.server import Server, listen
from service.web.stream import Hub
from service.wire.native import Address

KEEP_DAYS = 90
BACKLOG = 2000
STOP_WITHIN = 5.0
SLOW_AFTER = 15.0
"""Seconds: a thread that hasn't moved for so long waits for something that is away."""
log = structlog.get_logger()


def wall_clock() -> Instant:
    return time.time_ns() // 1000


class Service:
    """One running instance. ``run`` returns the exit code."""

    def __init__(self, settings: Settings, *, stuck_after: float = STUCK_AFTER) -> None:
        """``stuck_after``: seconds after which a thread that doesn't move ends the process."""
        self.settings = settings
        self.failed: str | None = None
        self.metrics = Metrics()
        self.report = Report(self.metrics)
        self.pulse = Pulse()
        self.watchdog = Watchdog(self.pulse, say=log.error, stuck_after=stuck_after)
        self.hub = Hub()
        self.bell = Bell()
        self.socket = listen(settings.web.host, settings.web.port)
        self.store: Store = open_store(settings.store.url.get_secret_value(), migrate=True)
        self.door = make_door(self.store.keyring, host=settings.web.host, clock=wall_clock, warn=log.warning)
        self.ingest = _wake_up(self.store, settings)
        self.shown = Shown(
            committed=self.ingest.committed,
            archive=self.store.archive,
            site=settings.site.name,
            reasons=self.not_ready,
        )
        self.connection = Connection(
            outside.broker(settings),
            topics=f"{settings.mqtt.floor_root}/#",
            receive=self._receive,
            has_room=lambda: self.owner.has_room(),  # noqa: PLW0108 (made later)
            log=log.info,
            connected=lambda: self.announcer.tell_all(list(self.ingest.committed)),
            session_lost=self._note_session_lost,
            had_session=self.ingest.position > 0,
            beat=self.pulse.beater("broker"),
        )
        self.announcer = Announcer(
            shown=self.shown,
            publish=self.connection.publish,
            stream=self.hub.publish,
            root=settings.mqtt.out_root,
            count=self.metrics.forecasts_published.inc,
            beat=self.pulse.beater("announcer"),
        )
        self.resend = Resend(
            publish=self.connection.publish, root=settings.mqtt.out_root, report=self.report.asked
        )
        self.owner = Owner(
            ingest=self.ingest,
            ledger=self.store.ledger,
            acknowledge=self.connection.acknowledge,
            announce=self.announcer.commit,
            ring=self.bell.ring,
            report=self.report.committed,
            resend=self.resend,
            hears=lambda: self.connection.ready and self.owner.waiting() <= BACKLOG,
            beat=self.pulse.beater("owner"),
        )
        self.outlets = outside.outlets(settings, self.port, key=self.door.link_key)
        self.troubled = outage.troubled(self.ingest.world)
        self.scheduler = self._make_scheduler()
        self.server = self._make_server()

    def run(self) -> int:
        log.info(
            "started", web=outside.web_address(self.settings, self.port), slots_known=self._slots_known()
        )
        threads = [
            self._thread("owner", self.owner.run),
            self._thread("announcer", self.announcer.run),
            self._thread("deliveries", self._deliver),
            self._thread("broker", self.connection.run),
        ]
        self.scheduler.start()
        self._thread("watchdog", self.watchdog.run)
        # The server hands a signal on once it has ended; by default that would end us before `_stop`.
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: self._end_server())
        try:
            self.server.run(sockets=[self.socket])
        finally:
            self._stop(threads)
        log.info("stopped", failed=self.failed)
        return 1 if self.failed else 0

    @property
    def port(self) -> int:
        return int(self.socket.getsockname()[1])

    def not_ready(self) -> list[str]:
        """Why this instance isn't ready: broker, store, backlog."""
        reasons = []
        if not self.connection.ready:
            reasons.append(f"broker: {self.connection.trouble}")
        if self.owner.trouble is not None:
            reasons.append(f"store: {self.owner.trouble}")
        elif not self.store.archive.healthy():
            reasons.append("store: can't be reached, or isn't at this program's revision")
        if self.owner.waiting() > BACKLOG:
            reasons.append(f"backlog: {self.owner.waiting()} messages wait")
        ages = self.pulse.ages().items()
        reasons += [f"{name}: hasn't moved for {age:.0f} s" for name, age in ages if age > SLOW_AFTER]
        if self.failed:
            reasons.append(self.failed)
        return reasons

    def _receive(self, topic: bytes, payload: bytes, retained: bool, token: tuple[int, int]) -> None:
        self.owner.put(Inbound(topic, payload, retained, token))

    def _thread(self, name: str, work: Callable[[], None]) -> threading.Thread:
        def guarded() -> None:
            try:
                work()
            except Exception as error:
                log.exception("thread_died", thread=name)
                self.failed = f"{name}: {type(error).__name__}"
                self._end_server()

        thread = threading.Thread(target=guarded, name=name, daemon=True)
        thread.start()
        return thread

    def _deliver(self) -> None:
        asyncio.run(self._deliver_until_stopped())

    async def _beat(self) -> None:
        beat = self.pulse.beater("deliveries")
        while True:
            beat()
            await asyncio.sleep(1)

    async def _deliver_until_stopped(self) -> None:
        beating = asyncio.create_task(self._beat())
        try:
            await deliver(
                outbox=self.store.outbox,
                outlets=self.outlets,
                # The same in every life, so that a restart takes back what it was sending when it died.
                owner=f"{socket.gethostname()}-{self.settings.mqtt.client_id}",
                clock=wall_clock,
                chance=random.random,
                bell=self.bell,
                report=self.report.attempted,
                tell=self._tell_of_outlet,
                troubled=self.troubled,
            )
        finally:
            beating.cancel()
            for outlet in self.outlets.values():
                await outlet.close()

    def _make_scheduler(self) -> BackgroundScheduler:
        """A ticker only: what is due stands in our own tables, a late or lost tick costs a second."""
        scheduler = BackgroundScheduler(
            timezone=ZoneInfo(self.settings.site.timezone),
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1},
        )
        scheduler.add_job(self._tick, "interval", seconds=1, id="tick")
        scheduler.add_job(self.owner.checkpoint, "interval", hours=1, id="checkpoint")
        scheduler.add_job(self._prune, "cron", hour=3, minute=30, id="prune")
        return scheduler

    def _tick(self) -> None:
        self.pulse.beat("ticker")
        self.owner.tick()
        self.metrics.inbound_waiting.set(self.owner.waiting())
        self.metrics.broker_connected.set(1 if self.connection.ready else 0)
        self.metrics.notices_open.set(sum(len(names) for names in list(self.ingest.world.watched.values())))

    def _prune(self) -> None:
        before = wall_clock() - KEEP_DAYS * 24 * 3600 * SECOND
        self.store.keyring.forget(before=before)
        log.info("pruned", rows=self.store.ledger.prune(before=before), older_than_days=KEEP_DAYS)

    def _tell_of_outlet(self, report: OutletReport) -> None:
        """To the owner, by the way of everything that happens."""
        data = msgspec.json.encode(report)
        self.owner.put(Ask(Address("outlet", "", None), report, data, Future()))

    def _note_session_lost(self) -> None:
        self.metrics.sessions_lost.inc()
        self.resend.forget()

    def _render_metrics(self) -> bytes:
        self.report.beats(self.pulse.ages())
        # What is known without the store is told without it: that is when people look.
        with contextlib.suppress(StoreError):
            self.report.outbox(self.store.outbox.backlog())
        return self.metrics.render()

    def _make_server(self) -> Server:
        app = create_app(
            reading=self.shown,
            desk=AskingDesk(put=self.owner.put, shown=self.shown),
            hub=self.hub,
            metrics=self._render_metrics,
            site=self.settings.site.name,
            timezone=self.settings.site.timezone,
            public_url=self.settings.web.public_url,
            door=self.door,
            tray=OutTray(
                outbox=self.store.outbox, bell=self.bell, clock=wall_clock, report=self.report.sent_again
            ),
        )
        return Server(app, self.hub, certificate=outside.certificate(self.settings))

    def _end_server(self) -> None:
        self.hub.close()
        self.server.should_exit = True

    def _stop(self, threads: list[threading.Thread]) -> None:
        """Stop hearing first, then deciding, then telling; what isn't acknowledged comes again."""
        deadline = time.monotonic() + STOP_WITHIN
        self.hub.close()
        self.watchdog.stop()
        self.scheduler.shutdown(wait=False)
        self.owner.stop()
        self.announcer.stop()
        self.bell.stop()
        for thread in threads[:-1]:
            thread.join(max(0.1, deadline - time.monotonic()))
        self.connection.stop()
        threads[-1].join(max(0.1, deadline - time.monotonic()))
        self.store.close()

    def _slots_known(self) -> int:
        return sum(len(station.slots) for station in self.ingest.world.stations.values())


def _wake_up(store: Store, settings: Settings) -> Ingest:
    """The world as it was committed, with the settings of today in force."""
    snapshot = store.ledger.load()
    committed = dict(snapshot.states)
    ingest = Ingest(
        world=World.from_states(committed),
        ledger=store.ledger,
        committed=committed,
        position=snapshot.position,
        last_at=snapshot.at,
        clock=wall_clock,
        root=settings.mqtt.floor_root,
        by_events=settings.site.clock == "events",
    )
    ingest.adopt_policy(settings.policy())
    return ingest
