"""A recording through the pipeline into a store of its own, with the live page on it.

Builds as little of the service as that takes: no broker, no outlets, no planner, nobody in charge. The time
that pages show is the recording's. Threads: one plays, one announces what changed; the web server runs in the
main thread.
"""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import structlog
from fastapi import FastAPI

from service import outside
from service.desk import OnlyShown, Unfit
from service.domain.model import SECOND, Instant, to_rfc3339
from service.domain.policy import Policy
from service.entrance import is_loopback, make_door
from service.ports import StoreError
from service.recordings import lines_of
from service.reviews import Reviews
from service.settings import Settings
from service.store import Store
from service.telemetry import Metrics
from service.usecases.announce import Announcer
from service.usecases.batch import Ask
from service.usecases.budget import Budget, readers
from service.usecases.desk import AskingDesk
from service.usecases.exchange import Exchanges
from service.usecases.lots import Lotbook
from service.usecases.recording import Reader
from service.usecases.replay import Replay, Replayed, play
from service.usecases.show import Shown
from service.usecases.tempo import FASTEST, Tempo
from service.web.api import create_app
from service.web.server import Server, listen
from service.web.stream import Hub

HERE = "127.0.0.1"
log = structlog.get_logger()


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What of a recording, and how fast. ``end``: the moment of the last entry."""

    file: Path
    end: Instant | None
    since: Instant | None
    until: Instant | None
    speed: float
    batch: int


class Playback:
    """``run`` serves until it is told to stop, also after the recording's end; the exit code. ``over`` is
    called once at that end."""

    def __init__(
        self,
        settings: Settings,
        store: Store,
        url: str,
        wanted: Wanted,
        *,
        over: Callable[[Replayed], None],
    ) -> None:
        """``url`` is the store's, for what reads it by itself."""
        self.problem: str | None = None
        self._store = store
        self._batch = wanted.batch
        self._over = over
        host = settings.web.host if is_loopback(settings.web.host) else HERE
        self._socket = listen(host, settings.web.port)
        reader = Reader()
        self._going = Replay(
            reader.read(lines_of(wanted.file)), store.ledger, since=wanted.since, until=wanted.until
        )
        self._begin = self._going.next_at or self._going.last
        self._end = max(self._begin, wanted.end or self._begin)
        self._tempo = Tempo(self._begin, speed=wanted.speed, steady=time.monotonic)
        self.hub = Hub()
        self.shown = Shown(
            committed=self._going.committed,
            archive=store.archive,
            site=reader.site or settings.site.name,
            reasons=list,
            clock=self.moment,
        )
        self._announcer = Announcer(
            shown=self.shown, publish=lambda _: None, stream=self.hub.publish, root=settings.mqtt.out_root
        )
        self._reviews = Reviews(url, self.shown.site)
        self._server = Server(self._make_app(settings, host), self.hub)

    @property
    def port(self) -> int:
        return int(self._socket.getsockname()[1])

    def run(self) -> int:
        threads = [
            threading.Thread(target=work, name=name, daemon=True)
            for name, work in (("replay", self._play), ("announcer", self._announcer.run))
        ]
        for each in threads:
            each.start()
        # The server hands a signal on once it has ended; by default that would end us before the store does.
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, lambda *_: self._stop())
        try:
            self._server.run(sockets=[self._socket])
        finally:
            self._tempo.end()
            self._announcer.stop()
            self._reviews.stop()
            for each in threads:
                each.join(5.0)
        return 1 if self.problem else 0

    # The port ``desk.Playing``

    def moment(self) -> Instant:
        """Which moment of the recording it is: short of the next entry that isn't there yet."""
        return self._tempo.moment(self._going.last, self._going.next_at)

    def playing(self) -> dict[str, object]:
        at, span = self.moment(), self._end - self._begin
        ended = self._going.next_at is None
        at = self._end if ended and self._going.entries else at
        tempo = self._tempo
        known = not ended and not tempo.paused and tempo.speed < FASTEST
        return {
            "at": to_rfc3339(at),
            "from": to_rfc3339(self._begin),
            "to": to_rfc3339(self._end),
            "speed": None if tempo.speed == FASTEST else tempo.speed,
            "paused": tempo.paused,
            "share": 1.0 if ended or not span else min(1.0, max(0.0, (at - self._begin) / span)),
            "ends_in_seconds": round((self._end - at) / SECOND / tempo.speed, 1) if known else None,
            "entries": self._going.entries,
            "state": "ended" if ended else "paused" if tempo.paused else "playing",
        }

    def steer(
        self, *, speed: float | None = None, paused: bool | None = None, to: Instant | None = None
    ) -> dict[str, object]:
        now = self.moment()
        if to is not None and to < now:
            raise Unfit(f"at: a recording only goes on, and it is {to_rfc3339(now)} in it already")
        self._tempo.steer(now, speed=speed, paused=paused, to=to)
        return self.playing()

    def _play(self) -> None:
        try:
            play(self._going, self._tempo, batch=self._batch, heard=self._announcer.commit)
        except (Unfit, StoreError, OSError) as error:
            self.problem = str(error)
        except Exception as error:
            log.exception("replay_failed")
            self.problem = f"{type(error).__name__}: {error}"
        if self.problem is not None:
            self._stop()
        elif not self._tempo.ended:
            self.hub.publish("resync", b"{}")
            self._over(self._going.done())

    def _refuse(self, ask: Ask) -> None:
        raise OnlyShown

    def _stop(self) -> None:
        self.hub.close()
        self._tempo.end()
        self._server.should_exit = True

    def _make_app(self, settings: Settings, host: str) -> FastAPI:
        policy = self._policy()
        return create_app(
            reading=self.shown,
            desk=AskingDesk(put=self._refuse, shown=self.shown),
            hub=self.hub,
            metrics=Metrics().render,
            site=self.shown.site,
            timezone=policy.timezone,
            language=settings.site.language,
            languages=settings.site.languages,
            public_url=settings.web.public_url,
            door=make_door(
                self._store.keyring, host=host, clock=lambda: time.time_ns() // 1000, warn=log.warning
            ),
            budget=Budget(sent=self._store.sent, hearing=readers(policy), clock=self.moment),
            exchanging=Exchanges(put=self._refuse, shown=self.shown),
            lots=Lotbook(lots=self._store.lots, committed=lambda: self._going.committed),
            reviews=self._reviews,
            playing=self,
        )

    def _policy(self) -> Policy:
        """The recorded settings, as they are when it begins."""
        return self.shown.world_of(None).policy

    def address(self, settings: Settings) -> str:
        return outside.web_address(settings, self.port)
