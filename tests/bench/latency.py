"""From the count that makes a slot due to the receiver, while a thousand messages a second come in."""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tests.bench.ingest import program
from tests.bench.process import work
from tests.support.mosquitto import start_mosquitto
from tests.support.receivers import HttpReceiver

STATIONS = 100
SLOTS = 8
LEAD = 10


@dataclass(frozen=True, slots=True)
class Latency:
    """Seconds; ``notices`` that were measured, ``rate`` of messages really sent; ``work`` of one processor
    that the service took meanwhile, ``events`` that its live pages were told, all together."""

    notices: int
    rate: float
    work: float
    events: int
    p50: float
    p99: float
    worst: float


def measure(seconds: int = 20, rate: int = 1000, store: str | None = None, *, pages: int = 0) -> Latency:
    """``pages`` are open and live meanwhile."""
    with tempfile.TemporaryDirectory() as name, HttpReceiver() as hook:
        folder = Path(name)
        broker = start_mosquitto(folder, log_type="error", persistence="false")
        outlet = f'[[outlet]]\nname = "hook"\ntype = "webhook"\nurl = "{hook.url}"\n'
        service, url = program(folder, broker.port, store, outlet)
        try:
            service.start()
            service.wait_ready(url)
            with _open(url, pages) as told:
                began, idle = time.monotonic(), work(service.pid)
                sent, real = _send(broker.port, seconds, rate)
                busy = (work(service.pid) - idle) / (time.monotonic() - began)
            hook.wait_for(lambda requests: {_key(each.json) for each in requests} >= sent.keys(), within=30)
            # The first thing told of a slot: what comes later tells that it got worse.
            arrived = {_key(request.json): request.at for request in reversed(hook.received.all())}
        finally:
            service.remove()
            broker.remove()
    return _summary([arrived[key] - at for key, at in sent.items()], real, busy, sum(told))


@contextmanager
def _open(url: str, pages: int) -> Iterator[list[int]]:
    """So many live pages; the events that came to them are in the list afterwards."""
    told: list[int] = []
    if not pages:
        yield told
        return
    words = [sys.executable, "-m", "tests.bench.pages", url.rpartition(":")[2], str(pages)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as watching:
        assert watching.stdout is not None
        if watching.stdout.readline() != "open\n":
            raise RuntimeError("the pages can't be opened")
        try:
            yield told
        finally:
            watching.terminate()
            told.append(int(watching.stdout.readline()))


def _key(event: dict[str, Any]) -> tuple[str, str]:
    return event["data"]["station"], event["data"]["slot"]


def _summary(waits: Sequence[float], rate: float, work: float, events: int) -> Latency:
    ordered = sorted(waits)
    return Latency(
        notices=len(ordered),
        rate=rate,
        work=work,
        events=events,
        p50=ordered[len(ordered) // 2],
        p99=ordered[min(len(ordered) - 1, len(ordered) * 99 // 100)],
        worst=ordered[-1],
    )


def _send(port: int, seconds: int, rate: int) -> tuple[dict[tuple[str, str], float], float]:
    """Paced counts of trays that become due spread over the run; when each due-making count was sent."""
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.max_inflight_messages_set(1000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    rounds = seconds * rate // STATIONS
    for station in range(STATIONS):
        first = {"session": "s", "seq": 1, "panels": 0, "slots": {_slot(s): _none() for s in range(SLOTS)}}
        client.publish(f"floor/L/S{station}/recipe", json.dumps(_recipe()), qos=1)
        client.publish(f"floor/L/S{station}/count", json.dumps(first), qos=1)
        body = {
            "slot": "T0",
            "change": "loaded",
            "id": "x",
            "kind": "tray",
            "quantity": _due(station, rounds),
        }
        last = client.publish(f"floor/L/S{station}/supply", json.dumps(body), qos=1)
    last.wait_for_publish(30)
    sent: dict[tuple[str, str], float] = {}
    pace = threading.Event()
    begin = time.monotonic()
    for number in range(rounds * STATIONS):
        station, panel = number % STATIONS, number // STATIONS + 1
        ahead = begin + number / rate - time.monotonic()
        if ahead > 0.001:
            pace.wait(ahead)
        slots = {_slot(s): {"placed": panel, "lost": 0} for s in range(SLOTS)}
        body = {"session": "s", "seq": panel + 1, "panels": panel, "slots": slots}
        payload = json.dumps(body)
        if panel == _due(station, rounds) - LEAD:
            sent[f"S{station}", "T0"] = time.time()
        client.publish(f"floor/L/S{station}/count", payload, qos=1)
    real = rounds * STATIONS / (time.monotonic() - begin)
    client.disconnect()
    client.loop_stop()
    return sent, real


def _recipe() -> dict[str, object]:
    return {"recipe": "r", "usage": {_slot(slot): 1 for slot in range(SLOTS)}}


def _none() -> dict[str, int]:
    return {"placed": 0, "lost": 0}


def _slot(number: int) -> str:
    return f"T{number}"


def _due(station: int, rounds: int) -> int:
    """A tray that is due somewhere between a quarter and the end of the run, and not yet urgent then."""
    spread = max(1, rounds - rounds // 4 - 1)
    return rounds // 4 + LEAD + station * 37 % spread
