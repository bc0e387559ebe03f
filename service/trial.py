"""Sources on trial: heard and counted beside everything else, and never part of it.

Each has a connection and a loop of its own, so that neither its floods nor its mistakes touch what counts.
Nothing is kept for it at the broker, in the store or over a restart."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Mapping
from functools import partial
from typing import Any

import structlog

from service import outside
from service.domain.model import Instant
from service.domain.policy import Policy
from service.mqtt.client import Broker, Connection
from service.settings import Settings, Source
from service.telemetry.actions import say
from service.usecases.batch import Inbound, Turn
from service.usecases.on_trial import OnTrial
from service.usecases.owner import Owner
from service.usecases.resend import Resend
from service.wire.gateway import Request, Translator

LOOK_EVERY = 0.5
"""Seconds between two looks at what both have counted."""
log = structlog.get_logger()


class Trial:
    """``start`` once, ``stop`` at the end; ``figures`` from any thread."""

    def __init__(
        self,
        source: str,
        translator: Translator,
        broker: Broker,
        *,
        policy: Policy,
        counted: Callable[[], Mapping[str, bytes]],
        clock: Callable[[], Instant],
    ) -> None:
        """``counted``: what is committed of the world in truth; ``{}`` where nothing is known of it."""
        self.failed: str | None = None
        self._clock = clock
        self._counted = counted
        self._on_trial = OnTrial(source, translator, policy, clock=clock)
        self._connection = Connection(
            broker,
            topics=translator.filters,
            receive=self._receive,
            has_room=lambda: self._owner.has_room(),  # noqa: PLW0108 (made later)
            log=partial(say, source=source, trial=True),
            connected=lambda: self._owner.put(Turn(source)),
            lasting=False,
        )
        self._owner = Owner(
            ingest=self._on_trial.ingest,
            ledger=self._on_trial.ledger,
            acknowledge=lambda _, tokens: self._connection.acknowledge(tokens),
            announce=lambda _: self._look_at_new(),
            ring=lambda: None,
            report=lambda *_, **__: None,
            resend=Resend(publish=lambda _: None, root="", report=lambda _: None),
            request=lambda _, requests: self._ask(requests),
            beat=self._look,
        )
        self._source = source
        self._looked_at = 0.0
        self._slots_known = 0
        self._stop = threading.Event()
        self._threads = [
            threading.Thread(target=self._guarded, args=(work,), name=f"trial {source}", daemon=True)
            for work in (self._connection.run, self._owner.run, self._tick)
        ]

    def start(self) -> None:
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """Waits for nothing: its threads end by themselves, and what they touch is theirs alone."""
        self._stop.set()
        self._owner.stop()
        self._connection.stop()

    def figures(self) -> dict[str, Any]:
        """What it would have counted, beside what was counted; times and quantities as in the API."""
        return {
            **self._on_trial.figures(),
            "connected": self._connection.ready,
            "trouble": self.failed or self._connection.trouble,
        }

    def _receive(self, topic: bytes, payload: bytes, retained: bool, token: tuple[int, int]) -> None:
        self._owner.put(Inbound(topic, payload, retained, token, self._source))

    def _ask(self, requests: list[Request]) -> None:
        for each in requests:
            self._connection.publish([(each.topic, each.payload, each.retain)], qos=each.qos)

    def _look(self) -> None:
        """In the owner's thread, which alone touches the world on trial."""
        if time.monotonic() - self._looked_at >= LOOK_EVERY:
            self._looked_at = time.monotonic()
            self._on_trial.look(self._counted())

    def _look_at_new(self) -> None:
        """What is first heard of is looked at on both sides at once: from there on they are compared."""
        known = self._on_trial.slots_known()
        if known != self._slots_known:
            self._slots_known = known
            self._on_trial.look(self._counted())

    def _tick(self) -> None:
        while not self._stop.wait(1.0):
            self._owner.tick()

    def _guarded(self, work: Callable[[], None]) -> None:
        """Whatever goes wrong with it ends the trial, and nothing else."""
        try:
            work()
        except Exception as error:
            log.exception("trial_failed", source=self._source)
            self.failed = f"the trial failed: {type(error).__name__}"
            self.stop()


class Trials:
    """Of several sources. ``figures`` from any thread."""

    def __init__(
        self,
        settings: Settings,
        sources: Iterable[Source],
        *,
        counted: Callable[[], Mapping[str, bytes]],
        clock: Callable[[], Instant],
        meet: Callable[[Broker], Broker] = lambda broker: broker,
    ) -> None:
        """``meet`` says what becomes of each source's broker, such as ``as_guest``."""
        self._trials = [
            Trial(
                each.name,
                each.translator(settings.site.timezone),
                meet(outside.source_broker(settings, each)),
                policy=settings.policy(),
                counted=counted,
                clock=clock,
            )
            for each in sources
        ]

    def start(self) -> None:
        for trial in self._trials:
            trial.start()

    def stop(self) -> None:
        for trial in self._trials:
            trial.stop()

    def figures(self) -> list[dict[str, Any]]:
        return [trial.figures() for trial in self._trials]
