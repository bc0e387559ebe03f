"""A whole plant on one machine: a broker, the service, a receiver of its warnings, and a simulated plant
whose people act on them.

Everything listens on 127.0.0.1 and lives in one temporary folder; no container, no root. What it is shown
for (the demo, a comparison) is not decided here.
"""

from __future__ import annotations

import base64
import secrets
import signal
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import partial
from importlib.util import find_spec
from pathlib import Path
from types import FrameType
from typing import TextIO

from simulators.crew import Crew
from simulators.events import Event
from simulators.processes import Child, choose_ports, listens
from simulators.publisher import Publisher, open_publisher
from simulators.scenario import Scenario
from simulators.sink import Delivery, Sink
from simulators.stage import answers, start_broker, start_service
from simulators.uplink import Broker

BROKER_START = 15.0
SERVICE_START = 40.0
"""Seconds each may take to be ready."""
PUBLISHER_END = 1.2
SERVICE_END = 2.5
BROKER_END = 0.5
"""Seconds each may take to end; together well under five."""
SERVICE = ("service", "run")
"""The module, with its arguments, run as the service."""


class ShowError(Exception):
    """A part didn't come up, or went away; the text says which and shows its last words."""


@dataclass(slots=True)
class Show:
    """Broker and service run; the plant starts with ``begin`` and ends with its ``hours`` or the show."""

    page: str
    broker_url: str
    broker_port_v3: int
    sink: Sink
    publisher: Publisher
    _children: Sequence[Child]
    _stop: threading.Event
    _thread: threading.Thread | None = None
    _error: Exception | None = None

    @property
    def service_pid(self) -> int:
        """The process of the service (on its leash)."""
        return self._children[-1].pid

    def begin(self, *, hours: float = float("inf")) -> None:
        """Start the plant, for so many of its hours."""
        self._thread = threading.Thread(target=self._run, args=(hours,), name="plant", daemon=True)
        self._thread.start()

    def watch(self, *, seconds: float | None = None) -> None:
        """Look after everything until it is time to end or the plant has ended; what fails ends it with its
        reason."""
        end = time.monotonic() + seconds if seconds is not None else float("inf")
        while not self._stop.wait(0.1) and time.monotonic() < end and self.goes_on():
            for child in self._children:
                _check(child)
            if self.sink.unread:
                raise BrokenPipeError
        if self._error:
            raise ShowError(f"the simulated plant failed: {self._error}")

    def goes_on(self) -> bool:
        """Whether the plant still runs."""
        return self._thread is not None and self._thread.is_alive()

    def _run(self, hours: float) -> None:
        try:
            self.publisher.run(self._stop, hours=hours)
        except Exception as error:
            self._error = error

    def end(self) -> None:
        self._stop.set()
        if self._thread is not None:
            self._thread.join(PUBLISHER_END)


@contextmanager
def open_show(
    scenario: Scenario,
    stop: threading.Event,
    *,
    ports: tuple[int, int, int] = (0, 0, 0),
    speed: float,
    seed: int | None = None,
    settings: Mapping[str, object] | None = None,
    service: Sequence[str] = SERVICE,
    out: TextIO,
    hear: Callable[[Delivery], None] = lambda delivery: None,
    see: Callable[[str, Event], None] = lambda line, event: None,
    report: Callable[[str], None] = lambda text: None,
) -> Iterator[Show]:
    """Put everything up, and take it down again.

    ``ports`` of broker (the next one speaks MQTT 3.1.1), page and receiver: one that is taken, or 0, is
    replaced by a free one. ``settings`` are tables of the service's configuration; ``hear`` gets each new
    delivery before the crew does, ``see`` each event of the plant. ``ShowError`` when a part doesn't come up.
    """
    if find_spec("iotcore") is None:
        raise ShowError("it needs a broker that isn't installed (pip install 'earlybell[demo]')")
    v5, v3, web, sink_port = choose_ports(ports[0], ports[0] and ports[0] + 1, ports[1], ports[2])
    page, broker_url = f"http://127.0.0.1:{web}", f"mqtt://127.0.0.1:{v5}"
    secret = "whsec_" + base64.b64encode(secrets.token_bytes(24)).decode()
    with ExitStack() as parts:
        folder = Path(parts.enter_context(tempfile.TemporaryDirectory(prefix="earlybell-show-")))
        broker = start_broker(folder, v5, v3)
        parts.callback(broker.stop, BROKER_END)
        _await(broker, lambda: listens(v5), BROKER_START, stop)

        crew = Crew(page)
        parts.callback(crew.close)
        heard = partial(_both, hear, crew.hear)
        sink = Sink(port=sink_port, secret=secret, out=out, on_notice=heard)
        sink.start()
        parts.callback(sink.stop)
        server = start_service(folder, service, sink.url, secret, broker_url, web, settings or {})
        parts.callback(server.stop, SERVICE_END)
        _await(server, lambda: answers(f"{page}/readyz"), SERVICE_START, stop)

        publisher = open_publisher(
            scenario,
            Broker.of(broker_url),
            bell=True,
            speed=speed,
            seed=seed,
            observe=partial(_both, see, crew.see),
            report=report,
        )
        crew.meet(publisher, sink)
        show = Show(page, broker_url, v3, sink, publisher, (broker, server), stop)
        parts.callback(show.end)
        # The service takes longest to end: ask it first, and let the plant finish meanwhile.
        parts.callback(server.terminate)
        yield show


def _both(first: Callable[..., None], second: Callable[..., None], *what: object) -> None:
    first(*what)
    second(*what)


def _await(child: Child, ready: Callable[[], bool], seconds: float, stop: threading.Event) -> None:
    end = time.monotonic() + seconds
    while not stop.is_set() and not ready():
        _check(child)
        if time.monotonic() > end:
            raise ShowError(f"the {child.name} wasn't ready within {seconds:.0f} s.\n{child.last_words()}")
        stop.wait(0.05)


def _check(child: Child) -> None:
    code = child.ended()
    if code is not None:
        raise ShowError(f"the {child.name} ended by itself with code {code}.\n{child.last_words()}")


@contextmanager
def until_stopped() -> Iterator[threading.Event]:
    """An event that Ctrl-C, SIGTERM or a closed terminal sets."""
    stop = threading.Event()

    def end(number: int, frame: FrameType | None) -> None:
        stop.set()

    # A hangup that is ignored (nohup) stays ignored.
    hangup = () if signal.getsignal(signal.SIGHUP) is signal.SIG_IGN else (signal.SIGHUP,)
    before = {number: signal.signal(number, end) for number in (signal.SIGINT, signal.SIGTERM, *hangup)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
