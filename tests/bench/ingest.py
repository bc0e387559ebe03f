"""Durable ingest: the same queued stream drained by a bare subscriber and by the service, one after the
other."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx

from tests.bench.process import work
from tests.bench.stream import counts, keep_a_session, publish, supplies
from tests.support.mosquitto import Mosquitto, start_mosquitto
from tests.support.ports import free_port
from tests.support.processes import Program

CLIENT = "earlybell"
READ_EVERY = 0.5
"""Seconds: a page of metrics takes some 10 ms of the program."""


@dataclass(frozen=True, slots=True)
class Rates:
    """Messages a second."""

    bare: float
    ours: float

    @property
    def ratio(self) -> float:
        return self.ours / self.bare


@contextmanager
def broker() -> Iterator[tuple[Mosquitto, Path]]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        running = start_mosquitto(folder, log_type="error", persistence="false")
        try:
            yield running, folder
        finally:
            running.remove()


def compare(messages: int, stations: int, store: str | None = None) -> Rates:
    """Both drain ``messages`` counts that were queued for them while they were away."""
    with broker() as (running, folder):
        bare = _bare(running.port, messages, stations)
        ours = _ours(running.port, folder, messages, stations, store)
    return Rates(bare, ours)


def _bare(port: int, messages: int, stations: int) -> float:
    keep_a_session(port, "bare")
    publish(port, counts(messages, stations))
    done = subprocess.run(
        [sys.executable, "-m", "tests.bench.bare", str(port), str(messages)],
        check=True,
        capture_output=True,
        text=True,
        timeout=300,
    )
    return float(done.stdout)


def program(folder: Path, port: int, store: str | None, extra: str = "") -> tuple[Program, str]:
    web = free_port()
    config = f"""
[mqtt]
url = "mqtt://127.0.0.1:{port}"
client_id = "{CLIENT}"
[store]
url = "{store or f"sqlite:///{folder}/bench.db"}"
[web]
port = {web}
{extra}
"""
    return Program(folder, "run", config=config), f"http://127.0.0.1:{web}"


def _ours(port: int, folder: Path, messages: int, stations: int, store: str | None) -> float:
    service, url = program(folder, port, store)
    service.start()
    try:
        service.wait_ready(url)
        publish(port, supplies(stations))
        _wait(url, "supply", stations * 8)
        service.stop()
        publish(port, counts(messages, stations))
        service.start()
        return drain(service, url, messages).rate
    finally:
        if service.running:
            service.stop()


@dataclass(frozen=True, slots=True)
class Drained:
    """Messages a second, and seconds of the processor for each."""

    rate: float
    work: float


def drain(service: Program, url: str, messages: int) -> Drained:
    """From the first reading above nothing to the last but one: neither the start-up is part of it, nor the
    time from the last message until somebody looks. Each reading takes some of what is measured."""
    with httpx.Client(timeout=5.0, trust_env=False) as client:
        readings: list[tuple[float, float, float]] = []
        deadline = time.monotonic() + 300
        while time.monotonic() < deadline:
            try:
                number = read_metric(client, url, "count")
            except httpx.TransportError:
                number = 0.0
            if number > 0 and (not readings or number > readings[-1][1]):
                readings.append((time.monotonic(), number, work(service.pid)))
            if number >= messages:
                (began, first, idle), (ended, last, busy) = readings[0], readings[max(1, len(readings) - 2)]
                return Drained((last - first) / (ended - began), (busy - idle) / (last - first))
            time.sleep(READ_EVERY)  # a measuring interval, nothing is waited for
    raise TimeoutError(f"{messages} messages weren't drained in 300 s")


def _wait(url: str, kind: str, number: int) -> None:
    with httpx.Client(timeout=5.0, trust_env=False) as client:
        deadline = time.monotonic() + 120
        while read_metric(client, url, kind) < number:
            if time.monotonic() > deadline:
                raise TimeoutError(f"{number} {kind} messages weren't taken in 120 s")
            time.sleep(0.1)


def read_metric(client: httpx.Client, url: str, kind: str) -> float:
    name = f'earlybell_messages_received_total{{kind="{kind}"}} '
    for line in client.get(f"{url}/metrics").text.splitlines():
        if line.startswith(name):
            return float(line.removeprefix(name))
    return 0.0
