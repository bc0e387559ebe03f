"""The composition root: builds every part, starts the threads, stops them in order. The only place with
the clock.

Threads here: the lease's keeper, the follower of what another commits, the announcer, the planner, the
ticker; the web server runs in the main thread; those of the one in charge are the reign's. A thread that dies
ends the process, so that a supervisor sees it."""

from __future__ import annotations

import contextlib
import signal
import threading
import time
from collections.abc import Callable, Iterable, Sequence

import structlog

from service import outside, waking
from service.divided import divide
from service.domain.model import Instant
from service.entrance import make_door
from service.front import Front
from service.heart import Heart
from service.instance import claim
from service.lease import Lease, LeaseLost
from service.news import News
from service.ports import NewDelivery, StoreError
from service.pulse import STUCK_AFTER, Pulse, Watchdog
from service.reign import Parts, Reign
from service.report import Report
from service.reviews import Reviews
from service.scrape import Scrape
from service.settings import Settings
from service.sources import Sources
from service.store import Store, open_store
from service.telemetry import Metrics
from service.timetable import Timetable
from service.usecases.asks import Passing
from service.usecases.batch import Ask
from service.usecases.budget import Budget, readers
from service.usecases.charge import Charge
from service.usecases.follow import Follower
from service.usecases.show import Shown
from service.ways import Ways
from service.web.server import listen
from service.web.stream import Hub
from service.whole import whole_site

STOP_WITHIN = 5.0
SLOW_AFTER = 15.0
"""Seconds: a thread that hasn't moved for so long waits for something that is away."""
log = structlog.get_logger()


def wall_clock() -> Instant:
    return time.time_ns() // 1000


def steady_clock() -> float:
    """Seconds that nobody sets and that go on while the machine sleeps."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


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
        self.socket = listen(settings.web.host, settings.web.port)
        url, share = settings.store.url.get_secret_value(), settings.share
        self.store: Store = open_store(url, migrate=True, shard=share)
        self.division = divide(share, self.store.registry)
        self.door = make_door(self.store.keyring, host=settings.web.host, clock=wall_clock, warn=log.warning)
        self.instance = claim(settings.site.instance, of=f"{url}\0{outside.broker(settings).client_id}")
        self.reign: Reign | None = None
        self.deposed = self.stopping = False
        self.changing = threading.Lock()
        committed: dict[str, bytes] = {}
        self.shown = Shown(
            committed=committed,
            archive=self.store.archive,
            site=settings.site.name,
            reasons=self.not_ready,
            clock=wall_clock if settings.site.clock == "wall" else None,
        )
        self.news = News(
            shown=self.shown,
            publish=self._publish,
            stream=self.hub.publish,
            propose=self._propose,
            root=settings.mqtt.out_root,
            metrics=self.metrics,
            report=self.report,
            pulse=self.pulse,
        )
        self.follower = Follower(
            followed=self.store.archive,
            committed=committed,
            tell=self.news.commit,
            beat=self.pulse.beater("follower"),
        )
        self.follower.refresh()
        self.passing = Passing(asks=self.store.asks, refresh=self.follower.refresh)
        self.charge = Charge(
            leases=self.store.leases,
            owner=self.instance.name,
            life=self.instance.life,
            steady=steady_clock,
            begin=self._begin,
            lost=self._depose,
            beat=self.pulse.beater("lease"),
        )
        self.parts = Parts(
            settings=settings,
            store=self.store,
            committed=committed,
            outlets=outside.outlets(settings, self.port, key=self.door.link_key, phones=self.store.phones),
            news=self.news,
            metrics=self.metrics,
            report=self.report,
            pulse=self.pulse,
            clock=wall_clock,
            sure=lambda: self.charge.sure() and not self.deposed,
            division=self.division,
        )
        self.whole = whole_site(
            url,
            self.division,
            own=self.store,
            committed=committed,
            put=self._put,
            changed=self._depose,
            tell=lambda others: self.front.tell(others),  # noqa: PLW0108 (made later)
            beater=self.pulse.beater,
            steady=steady_clock,
        )
        self.budget = Budget(sent=self.store.sent, hearing=readers(settings.policy()), clock=wall_clock)
        self.ways = Ways(
            settings=settings,
            port=self.port,
            outbox=self.whole.store.outbox,
            archive=self.whole.store.archive,
            phones=self.store.phones,
            clock=wall_clock,
            report=self.report,
            prove=self._prove,
        )
        self.sources = Sources(
            settings,
            committed=committed,
            listening=lambda: {} if self.reign is None else self.reign.ears.listening(),
            trials=lambda: [] if self.reign is None else self.reign.trials.figures(),
        )
        self.heart = Heart(
            self.ways, say=self._say, ready=lambda: not (self.not_ready() or self.whole.missing())
        )
        self.reviews = Reviews(url, settings.site.name, shard=share)
        alone = Reviews(url, settings.site.name, shard=share, alone=True)
        self.own_reviews = self.reviews if share is None else alone
        self.scrape = Scrape(
            metrics=self.metrics,
            report=self.report,
            pulse=self.pulse,
            shown=self.shown,
            sources=self.sources,
            store=self.store,
            budget=self.budget,
            ready=lambda: not self.not_ready(),
            lease=lambda: self.charge.lease,
            pages=lambda: self.hub.listening,
            certificates=outside.certificates(settings),
            clock=wall_clock,
        )
        self.front = Front(
            settings,
            whole=self.whole,
            reasons=self.not_ready,
            hub=self.hub,
            door=self.door,
            metrics=self.scrape.render,
            served=self.report.served,
            ways=self.ways,
            sources=self.sources,
            reviews=self.reviews,
            phones=self.store.phones,
            passing=self.passing,
            here=lambda: None if self.reign is None else self.reign.tray,
            port=self.port,
            pulse=self.pulse,
            clock=wall_clock,
        )
        self.server = self.front.server
        self.timetable = Timetable(
            settings=settings,
            store=self.store,
            showing=self.front.shown,
            budget=self.front.budget,
            hours=self.whole.store.hours,
            reviews=self.reviews,
            own=self.own_reviews,
            speaks=self.whole.speaks,
            reign=lambda: self.reign,
            heart=self.heart,
            report=self.report,
            beat=self.pulse.beater("ticker"),
            clock=wall_clock,
        )

    def run(self) -> int:
        known = waking.slots_known(self.parts.committed)
        log.info("started", web=outside.web_address(self.settings, self.port), slots_known=known)
        for name, work in (
            ("announcer", self.news.announcer.run),
            ("planner", self.news.planner.run),
            ("follower", self.follower.run),
            *self.whole.threads(),
            *self.front.threads(),
        ):
            self._thread(name, work)
        keeper = self._thread("lease", self.charge.run)
        self.timetable.start()
        self._thread("watchdog", self.watchdog.run)
        # The server hands a signal on once it has ended; by default that would end us before `_stop`.
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: self._end_server())
        try:
            self.server.run(sockets=[self.socket])
        finally:
            self._stop(keeper)
        log.info("stopped", failed=self.failed)
        return 1 if self.failed else 0

    @property
    def port(self) -> int:
        return int(self.socket.getsockname()[1])

    def not_ready(self) -> list[str]:
        """Why this instance isn't ready: another is in charge; or broker, store, backlog."""
        reasons: list[str] = []
        reign, healthy = self.reign, self.store.archive.healthy()
        if reign is not None:
            reasons += reign.not_ready(store_healthy=healthy)
        else:
            reasons.append(self.charge.standing())
            if not healthy:
                reasons.append("store: can't be reached, or isn't at this program's revision")
        ages = self.pulse.ages().items()
        reasons += [f"{name}: hasn't moved for {age:.0f} s" for name, age in ages if age > SLOW_AFTER]
        if self.failed:
            reasons.append(self.failed)
        return reasons

    def _begin(self, lease: Lease) -> None:
        """In a thread of its own: the lease must be renewed meanwhile."""
        self._thread("takeover", lambda: self._take_over(lease))

    def _take_over(self, lease: Lease) -> None:
        log.info("in_charge", instance=lease.owner, term=lease.term)
        self.follower.stop()
        self.pulse.forget("follower")
        reign = Reign(self.parts, lease)
        with self.changing:
            if self.stopping:
                return
            reign.start(self._thread)
            self.reign = reign
        self.metrics.in_charge.set(1)
        self.hub.publish("resync", b"{}")

    def _depose(self, reason: str) -> None:
        """Nothing of our time in charge may go on: the process ends, and a supervisor starts it anew."""
        if not self.deposed:
            self.deposed = True
            self.failed = f"no longer in charge: {reason}"
            log.error("deposed", instance=self.instance.name, reason=reason)
            if self.reign is not None:
                self.reign.fall_silent()
        self._end_server()

    def _publish(self, messages: Iterable[tuple[str, bytes, bool]]) -> None:
        if (reign := self.reign) is not None:
            reign.ears.main.publish(messages)

    def _propose(self, ask: Ask) -> None:
        """To the owner of the world where it is here: only the one in charge keeps plans."""
        if (reign := self.reign) is not None:
            reign.owner.put(ask)

    def _put(self, ask: Ask) -> None:
        """To the owner of the world, here or elsewhere."""
        (self.passing if (reign := self.reign) is None else reign.owner).put(ask)

    def _thread(self, name: str, work: Callable[[], None]) -> threading.Thread:
        def guarded() -> None:
            try:
                work()
            except LeaseLost as lost:
                self._depose(str(lost))
            except Exception as error:
                log.exception("thread_died", thread=name)
                self.failed = f"{name}: {type(error).__name__}"
                self._end_server()

        (thread := threading.Thread(target=guarded, name=name, daemon=True)).start()
        return thread

    def _prove(self, outlet: str) -> None:
        if self.reign is not None:
            self.reign.prove(outlet)

    def _say(self, deliveries: Sequence[NewDelivery]) -> None:
        if self.reign is not None:
            self.reign.say(deliveries)

    def _end_server(self) -> None:
        self.hub.close()
        self.server.should_exit = True

    def _stop(self, keeper: threading.Thread) -> None:
        """What is in charge ends first; then the lease is given up, for whoever stands by."""
        deadline = time.monotonic() + STOP_WITHIN
        self.hub.close()
        self.watchdog.stop()
        self.timetable.stop()
        self.reviews.stop()
        self.own_reviews.stop()
        self.front.stop()
        self.whole.stop()
        self.news.stop()
        self.follower.stop()
        self.passing.stopped.set()
        with self.changing:
            self.stopping = True
        if self.reign is not None:
            self.reign.stop(deadline, lost=self.deposed)
        self.charge.stop()
        keeper.join(max(0.1, deadline - time.monotonic()))
        if not self.deposed:
            with contextlib.suppress(StoreError):  # it runs out by itself
                self.charge.release()
        self.whole.close()
        self.store.close()
        self.instance.leave()
