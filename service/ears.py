"""All that hears the floor for the one in charge: a connection for ``[mqtt]`` and one for each source that
counts, what is said back there, and how each is doing.

Threads: one for each connection; the rest is called by the owner's, or from any where it says so."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import partial

from service import outside
from service.domain import gateways
from service.domain.events import GatewayReport
from service.domain.model import Instant
from service.domain.shards import Division, filters_of, stale_of
from service.incoming import Listening
from service.mqtt.client import Broker, Connection
from service.mqtt.host import Host
from service.news import News
from service.pulse import Pulse
from service.replies import Replies
from service.report import Report
from service.settings import Settings
from service.telemetry import Metrics
from service.telemetry.actions import say
from service.usecases.batch import Committed, Inbound, Turn
from service.usecases.figures import Figures
from service.usecases.ingest import Ingest
from service.usecases.reach import Reach
from service.usecases.resend import Resend
from service.wire.gateway import Request

Token = tuple[int, int]


class Ears:
    """``main`` is the connection to the broker of ``[mqtt]``, the only one that forecasts and notices go out
    by. Sources go by their names, that of ``[mqtt]`` is ``""``."""

    def __init__(
        self,
        settings: Settings,
        *,
        division: Division | None = None,
        ingest: Ingest,
        put: Callable[[Inbound | Turn], None],
        has_room: Callable[[], bool],
        sure: Callable[[], bool],
        clock: Callable[[], Instant],
        news: News,
        metrics: Metrics,
        report: Report,
        pulse: Pulse,
        retained_anew: bool = False,
    ) -> None:
        """``retained_anew``: what brokers have retained is heard again, as after a restore."""
        self._ingest = ingest
        self._division = division
        self._put = put
        self._has_room = has_room
        self._sure = sure
        self._clock = clock
        self._metrics = metrics
        self._report = report
        self._pulse = pulse
        self._retained_anew = retained_anew
        self.main = self._connect(
            "",
            outside.broker(settings),
            filters_of(division, settings.mqtt.floor_root),
            news.tell_all,
            beat="broker",
            stale=stale_of(division, settings.mqtt.floor_root, known=ingest.world.lines),
        )
        self._connections = {"": self.main}
        for source in settings.counting:
            broker = outside.source_broker(settings, source)
            connected = partial(self._source_connected, source.name)
            topics = ingest.sources.filters(source.name)
            self._connections[source.name] = self._connect(source.name, broker, topics, connected)
        elsewhere = outside.contracts_elsewhere(settings)
        self._replies = Replies({name: self._connections[name] for name in elsewhere})
        news.reply_by(self._replies.say)
        self.resend = Resend(
            publish=self.main.publish,
            reply=self._replies.say,
            reaches=lambda source: self._connections[source if source in elsewhere else ""].ready,
            root=settings.mqtt.out_root,
            report=report.asked,
        )
        self._figures = Figures(self._connections, since=clock())
        patience = {each.name: each.silent_after for each in settings.counting}
        self._reach = Reach({"": None, **patience}, gateways.silent(ingest.world))

    def threads(self) -> Iterator[tuple[str, Callable[[], None]]]:
        """What to run, by the name of its thread."""
        for name, connection in self._connections.items():
            yield f"source {name}" if name else "broker", connection.run

    def stop(self, *, silently: bool = False) -> None:
        for connection in self._connections.values():
            connection.stop(silently=silently)

    def not_ready(self) -> Iterator[str]:
        """Which of them can't be heard, and why; from any thread."""
        for name, connection in self._connections.items():
            if not connection.ready:
                yield f"source {name}: {connection.trouble}" if name else f"broker: {connection.trouble}"

    def hear(self) -> bool:
        """Whether any of the floor is heard; that one source alone isn't is known of the source."""
        return any(each.ready for each in self._connections.values())

    def acknowledge(self, source: str, tokens: Iterable[Token]) -> None:
        self._connections[source].acknowledge(tokens)

    def request(self, source: str, requests: Iterable[Request]) -> None:
        """Publish what its translator asks its gateways for."""
        for each in requests:
            self._connections[source].publish([(each.topic, each.payload, each.retain)], qos=each.qos)

    def note(self, committed: Sequence[Committed]) -> None:
        """What came of the sources' messages."""
        self._figures.note(committed, self._clock())

    def look(self, now: Instant, steady: float) -> Sequence[GatewayReport]:
        """About once a second: what became known of the sources."""
        self._figures.look(self._ingest.world.stations.values())
        connected = {name: each.ready for name, each in self._connections.items()}
        found = self._reach.look(now, steady, connected=connected, messages=self._figures.messages())
        return [each for each in found if self._concerns(each.source)]

    def _concerns(self, source: str) -> bool:
        """Where several shards hear one source, not each of them tells of it."""
        return (
            not source or self._division is None or self._division.own.catches_all or self._was_heard(source)
        )

    def listening(self) -> Mapping[str, Listening]:
        """How each source is heard; from any thread."""
        now = self._clock()
        return {
            name: Listening(
                connected=each.ready,
                trouble=each.trouble,
                silent_since=self._reach.silent_since(name),
                heard=self._figures.heard(name, now),
                counted=self._figures.counted(name),
                gaps=self._ingest.sources.gaps(name),
            )
            for name, each in self._connections.items()
        }

    def _connect(
        self,
        name: str,
        broker: Broker,
        topics: Sequence[str],
        connected: Callable[[], None],
        *,
        beat: str | None = None,
        stale: Sequence[str] = (),
    ) -> Connection:
        host = None if broker.host_id is None else Host(broker.host_id)
        return Connection(
            broker,
            topics=topics,
            stale=stale,
            receive=partial(self._receive, name),
            has_room=self._has_room,
            log=partial(say, source=name) if name else say,
            connected=partial(self._note_connected, name, connected),
            session_lost=self._note_session_lost,
            had_session=self._was_heard(name),
            beat=self._pulse.beater(beat or f"source {name}"),
            may_connect=self._sure,
            lasting=host is None,
            presence=host,
            retained_anew=self._retained_anew,
        )

    def _receive(self, source: str, topic: bytes, payload: bytes, retained: bool, token: Token) -> None:
        self._put(Inbound(topic, payload, retained, token, source, time.monotonic()))

    def _note_connected(self, name: str, then: Callable[[], None]) -> None:
        self._report.connected(name)
        then()

    def _source_connected(self, name: str) -> None:
        self._put(Turn(name))
        self._replies.again(name)

    def _note_session_lost(self) -> None:
        self._metrics.sessions_lost.inc()
        self.resend.forget()

    def _was_heard(self, source: str) -> bool:
        """In an earlier life, so that its broker should know us."""
        return any(each.source.name == source for each in self._ingest.world.stations.values())
