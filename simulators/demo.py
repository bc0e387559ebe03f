"""The whole thing in one command: a broker, the service, a simulated plant at speed, and a receiver that
prints.

Everything listens on 127.0.0.1 and lives in one temporary folder; no container, no root. The people of the
line act on the warnings that reach the receiver, so what you see is the bell at work: told, taken, refilled,
closed.
"""

from __future__ import annotations

import base64
import secrets
import signal
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from importlib.util import find_spec
from pathlib import Path
from types import FrameType
from typing import TextIO

from simulators.crew import Crew
from simulators.processes import Child, choose_ports, listens
from simulators.publisher import Publisher, open_publisher
from simulators.scenario import Scenario, load_scenario, shipped
from simulators.sink import Sink
from simulators.stage import answers, start_broker, start_service
from simulators.uplink import Broker

BROKER_START = 15.0
SERVICE_START = 40.0
"""Seconds each may take to be ready."""
PUBLISHER_END = 1.2
SERVICE_END = 2.5
BROKER_END = 0.5
"""Seconds each may take to end; together well under five."""
SPEED = 15.0


class DemoError(Exception):
    """A part of the demo didn't come up, or went away; the text says which and shows its last words."""


def run(
    *,
    broker_port: int = 1883,
    web_port: int = 8080,
    sink_port: int = 8090,
    speed: float = SPEED,
    seed: int | None = None,
    seconds: float | None = None,
    out: TextIO | None = None,
    service: Sequence[str] = ("service", "run"),
) -> int:
    """Run until Ctrl-C or SIGTERM, or for ``seconds``; 0, or 1 with the reason when a part fails.

    Ports that are taken are replaced by free ones. ``service`` is the module, with its arguments, run as the
    service.
    """
    out = out or sys.stdout
    with _signals() as stop:
        try:
            _play(stop, (broker_port, web_port, sink_port), speed, seed, seconds, out, service)
        except DemoError as error:
            _say(out, f"The demo ends: {error}")
            return 1
        except BrokenPipeError:
            return 0
    return 0


def _play(
    stop: threading.Event,
    wanted: tuple[int, int, int],
    speed: float,
    seed: int | None,
    seconds: float | None,
    out: TextIO,
    service: Sequence[str],
) -> None:
    if find_spec("iotcore") is None:
        raise DemoError("it needs a broker that isn't installed (pip install 'earlybell[demo]')")
    v5, v3, web, sink_port = choose_ports(wanted[0], wanted[0] and wanted[0] + 1, wanted[1], wanted[2])
    scenario = load_scenario(shipped()["demo"])
    page, broker_url = f"http://127.0.0.1:{web}", f"mqtt://127.0.0.1:{v5}"
    secret = "whsec_" + base64.b64encode(secrets.token_bytes(24)).decode()
    with ExitStack() as parts:
        folder = Path(parts.enter_context(tempfile.TemporaryDirectory(prefix="earlybell-demo-")))
        broker = start_broker(folder, v5, v3)
        parts.callback(broker.stop, BROKER_END)
        _await(broker, lambda: listens(v5), BROKER_START, stop)

        crew = Crew(page)
        parts.callback(crew.close)
        sink = Sink(port=sink_port, secret=secret, out=out, on_notice=crew.hear)
        sink.start()
        parts.callback(sink.stop)
        server = start_service(folder, service, sink.url, secret, broker_url, web)
        parts.callback(server.stop, SERVICE_END)
        _await(server, lambda: answers(f"{page}/readyz"), SERVICE_START, stop)

        publisher = open_publisher(
            scenario,
            Broker.of(broker_url),
            bell=True,
            speed=speed,
            seed=seed,
            observe=crew.see,
            report=lambda text: _say(out, f"{scenario.plant}: {text}"),
        )
        crew.meet(publisher, sink)
        _say(out, _welcome(scenario, page, broker_url, v3, sink.url, speed))
        line = _Thread(publisher, stop)
        parts.callback(line.end)
        # The service takes longest to end: ask it first, and let the line finish meanwhile.
        parts.callback(server.terminate)
        _watch(stop, (broker, server), line, sink, seconds)
    _say(out, f"\nHeard {len(sink.warnings)} messages by webhook and {len(sink.chats)} by chat.")


def _watch(
    stop: threading.Event, children: Sequence[Child], line: _Thread, sink: Sink, seconds: float | None
) -> None:
    """Look after everything until it is time to end; whatever fails ends it with its reason."""
    end = time.monotonic() + seconds if seconds is not None else float("inf")
    while not stop.wait(0.1) and time.monotonic() < end:
        for child in children:
            _check(child)
        if line.error:
            raise DemoError(f"the simulated line failed: {line.error}")
        if sink.unread:
            raise BrokenPipeError


def _await(child: Child, ready: Callable[[], bool], seconds: float, stop: threading.Event) -> None:
    end = time.monotonic() + seconds
    while not stop.is_set() and not ready():
        _check(child)
        if time.monotonic() > end:
            raise DemoError(f"the {child.name} wasn't ready within {seconds:.0f} s.\n{child.last_words()}")
        stop.wait(0.05)


def _check(child: Child) -> None:
    code = child.ended()
    if code is not None:
        raise DemoError(f"the {child.name} ended by itself with code {code}.\n{child.last_words()}")


class _Thread:
    """The line at work beside us."""

    def __init__(self, publisher: Publisher, stop: threading.Event) -> None:
        self.error: Exception | None = None
        self._publisher = publisher
        self._stop = stop
        self._thread = threading.Thread(target=self._run, name="line", daemon=True)
        self._thread.start()

    def end(self) -> None:
        self._stop.set()
        self._thread.join(PUBLISHER_END)

    def _run(self) -> None:
        try:
            self._publisher.run(self._stop)
        except Exception as error:
            self.error = error


@contextmanager
def _signals() -> Iterator[threading.Event]:
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


def _welcome(scenario: Scenario, page: str, broker: str, v3: int, sink: str, speed: float) -> str:
    lines = "Line " + ", ".join(each.line for each in scenario.lines)
    return (
        f"{lines} of {scenario.plant} (made up) runs at {speed:g} times its real speed.\n"
        f"  page      {page}/\n"
        f"  broker    {broker} (MQTT 5; 3.1.1 on port {v3})\n"
        f"  receiver  {sink}/warnings (prints each warning below)\n"
        "Ctrl-C ends it all and leaves nothing behind.\n"
    )


def _say(out: TextIO, text: str) -> None:
    print(text, file=out, flush=True)
