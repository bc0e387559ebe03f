"""Listens to the configured brokers as a guest, for a page: what is there, and what a draft would count.

One listening and one trial at a time, each for minutes at most. Only brokers of the configuration are called:
whoever may use the page could otherwise make us call any host."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import structlog

from service import outside
from service.desk import Unfit
from service.domain.gateways import OWN
from service.domain.model import SECOND, Instant, to_rfc3339
from service.language import english
from service.mqtt.client import Broker
from service.mqtt.listener import UnheardError, as_guest, overhear
from service.overhearing import LONGEST, Busy, Json, NotOurs
from service.settings import Settings, SettingsError
from service.settings.drafts import sources_in
from service.trial import Trials
from service.usecases.overheard import Overheard, as_object, draft_of
from service.wire.gateway import Request

log = structlog.get_logger()
LISTENED = english("Somebody is listening already.")
TRIED = english("A draft is being tried already.")


@dataclass(slots=True)
class _Listening:
    at: str
    since: Instant
    seconds: int
    births: bool
    heard: Overheard
    state: str = "listening"
    trouble: str | None = None
    found: Json | None = None
    draft: str | None = None
    stop: threading.Event = field(default_factory=threading.Event)


@dataclass(slots=True)
class _Trying:
    since: Instant
    trials: Trials
    over: threading.Timer
    state: str = "trying"


class Guest:
    """``Overhearing``. ``counted``: what is committed, to be shown beside what a draft counts."""

    def __init__(
        self, settings: Settings, *, counted: Callable[[], Mapping[str, bytes]], clock: Callable[[], Instant]
    ) -> None:
        self._settings = settings
        self._counted = counted
        self._clock = clock
        self._lock = threading.Lock()
        self._listening: _Listening | None = None
        self._trying: _Trying | None = None
        self._brokers: Mapping[str, Broker] = {
            OWN: outside.broker(settings),
            **{each.name: outside.source_broker(settings, each) for each in settings.sources},
        }

    def brokers(self) -> Sequence[Json]:
        return [{"at": at, "leads_to": each.host} for at, each in self._brokers.items()]

    def listen(self, *, at: str, topics: Sequence[str], seconds: int, births: bool = False) -> None:
        broker = self._brokers[at]
        with self._lock:
            if self._listening is not None and self._listening.state == "listening":
                raise Busy(LISTENED)
            heard = Overheard(own_root=self._settings.mqtt.out_root)
            listening = self._listening = _Listening(at, self._clock(), seconds, births, heard)
        threading.Thread(
            target=self._hear, args=(listening, broker, topics), name="guest", daemon=True
        ).start()

    def overheard(self) -> Json:
        listening = self._listening
        if listening is None:
            return {"state": "none"}
        return {
            "state": listening.state,
            "at": listening.at,
            "since": to_rfc3339(listening.since),
            "seconds": listening.seconds,
            "messages": listening.heard.heard.messages,
            "trouble": listening.trouble,
            "found": listening.found,
            "draft": listening.draft,
        }

    def stop_listening(self) -> None:
        if self._listening is not None:
            self._listening.stop.set()

    def try_out(self, draft: str) -> None:
        try:
            sources = sources_in(draft, self._settings)
        except SettingsError as error:
            raise Unfit("; ".join(error.lines)) from None
        known = {(each.host, each.port) for each in self._brokers.values()}
        for source in sources:
            broker = outside.source_broker(self._settings, source)
            if (broker.host, broker.port) not in known:
                raise NotOurs(f"source {source.name}: {broker.host} is no broker of the configuration")
        with self._lock:
            if self._trying is not None and self._trying.state == "trying":
                raise Busy(TRIED)
            trials = Trials(self._settings, sources, counted=self._counted, clock=self._clock, meet=as_guest)
            over = threading.Timer(LONGEST, self.stop_trying)
            over.daemon = True
            self._trying = _Trying(self._clock(), trials, over)
        trials.start()
        over.start()

    def tried(self) -> Json:
        trying = self._trying
        if trying is None:
            return {"state": "none", "trials": []}
        return {
            "state": trying.state,
            "since": to_rfc3339(trying.since),
            "seconds": (self._clock() - trying.since) // SECOND,
            "trials": trying.trials.figures(),
        }

    def stop_trying(self) -> None:
        with self._lock:
            trying = self._trying
            if trying is None or trying.state != "trying":
                return
            trying.state = "done"
        trying.over.cancel()
        trying.trials.stop()

    def stop(self) -> None:
        self.stop_listening()
        self.stop_trying()

    def _hear(self, listening: _Listening, broker: Broker, topics: Sequence[str]) -> None:
        heard = listening.heard

        def hear(topic: bytes, payload: bytes, retained: bool) -> None:
            heard.hear(topic, payload, self._clock(), retained=retained)

        def ask() -> Sequence[Request]:
            return heard.births(self._clock()) if listening.births else ()

        try:
            took = overhear(
                broker, topics, seconds=listening.seconds, hear=hear, stop=listening.stop, ask=ask
            )
            heard.listened(took, self._clock())
            listening.found = as_object(heard.heard)
            listening.draft = draft_of(
                heard.heard, broker=self._as_written(listening.at), floor_root=self._settings.mqtt.floor_root
            )
            listening.state = "done"
        except UnheardError as error:
            listening.trouble, listening.state = str(error), "failed"
        except Exception as error:
            log.exception("listening_failed", where=listening.at)
            listening.trouble, listening.state = f"the listening failed: {type(error).__name__}", "failed"

    def _as_written(self, at: str) -> Mapping[str, str]:
        """What a draft must say of the broker, without secrets."""
        source = next((each for each in self._settings.sources if each.name == at), None)
        if source is None:
            return {}
        said = source.model_dump(include={"url", "username", "ca_file"}, exclude_none=True)
        return {key: str(value) for key, value in said.items()}
