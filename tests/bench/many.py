"""45,000 slots known: how long a start takes, what lies in memory, what a page asks for, and whether a count
costs more than where 200 are known."""

from __future__ import annotations

import gc
import json
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from statistics import median

import httpx

from service.domain.world import World
from service.store import Store, open_store
from service.usecases.batch import Inbound
from service.usecases.ingest import Ingest
from tests.bench.ingest import broker, program
from tests.bench.process import memory

SLOTS_EACH = 100
STATIONS_EACH = 10
FEW, MANY = 200, 45_000
COUNTED = 2
"""Stations whose counts come, few or many known."""
ASKED = 15
"""Times for each question of a page."""
_BATCH = 200


@dataclass(frozen=True, slots=True)
class Known:
    """``start`` seconds until ready, ``resident`` and ``most`` MB; ``queries`` the median seconds of each;
    ``count`` seconds of work that the owner of the world has with a message, batches of 200 and all."""

    start: float
    resident: float
    most: float
    queries: dict[str, float]
    count: float


def known(slots: int, messages: int) -> Known:
    with broker() as (running, folder), tempfile.TemporaryDirectory() as name:
        url = f"sqlite:///{name}/known.db"
        _fill(url, slots)
        service, page = program(folder, running.port, url)
        began = time.monotonic()
        service.start()
        try:
            service.wait_ready(page)
            took = time.monotonic() - began
            resident, _ = memory(service.pid)
            queries = {what: _ask(page + path) for what, path in _QUESTIONS.items()}
            most = memory(service.pid)[1]
            service.stop()
        finally:
            service.remove()
        return Known(took, resident, most, queries, _count_seconds(url, messages))


_QUESTIONS = {
    "a line's slots": "/api/v1/lines/L0/slots",
    "one slot": "/api/v1/lines/L0/stations/S0/slots/F00",
    "all lines": "/api/v1/lines",
    "open notices": "/api/v1/notices?limit=1000",
}


def _ask(url: str) -> float:
    with httpx.Client(timeout=60.0, trust_env=False) as client:
        times = []
        for _ in range(ASKED):
            began = time.perf_counter()
            client.get(url).raise_for_status()
            times.append(time.perf_counter() - began)
    return median(times)


def _fill(url: str, slots: int) -> None:
    """A recipe, a count and a full reel in each slot, by the way that every message takes."""
    store = open_store(url, migrate=True)
    try:
        ingest = _ingest(store)
        items: list[Inbound] = []
        for number in range(slots // SLOTS_EACH):
            items += (Inbound(topic.encode(), body, False, (0, 0)) for topic, body in _station(number))
            if len(items) >= _BATCH:
                ingest.take(items)
                items = []
        if items:
            ingest.take(items)
    finally:
        store.close()


def _count_seconds(url: str, messages: int) -> float:
    """The median batch's, for each message: what else the machine does meanwhile isn't in it."""
    store = open_store(url, migrate=False)
    try:
        ingest = _ingest(store)
        items = [Inbound(topic.encode(), body, False, (0, 0)) for topic, body in _counts(messages)]
        times = []
        gc.freeze()  # as the service does
        for first in range(0, len(items), _BATCH):
            began = time.thread_time()
            ingest.take(items[first : first + _BATCH])
            times.append(time.thread_time() - began)
        return median(times) / _BATCH
    finally:
        gc.unfreeze()
        store.close()


def _ingest(store: Store) -> Ingest:
    snapshot = store.ledger.load()
    committed = dict(snapshot.states)
    return Ingest(
        world=World.from_states(committed),
        ledger=store.ledger,
        committed=committed,
        position=snapshot.position,
        last_at=snapshot.at,
        clock=lambda: time.time_ns() // 1000,
        root="floor",
    )


def _station(number: int) -> Iterator[tuple[str, bytes]]:
    place, names = _place(number), [f"F{slot:02}" for slot in range(SLOTS_EACH)]
    usage = {name: 1 + slot % 7 for slot, name in enumerate(names)}
    yield f"{place}/recipe", json.dumps({"recipe": "r", "usage": usage}).encode()
    yield f"{place}/count", _count(0, names)
    for slot, name in enumerate(names):
        body = {"slot": name, "change": "loaded", "id": f"{number}-{slot}", "kind": "tape"}
        body |= {"part": f"P-{slot}", "quantity": 5_000_000}  # type: ignore[dict-item]
        yield f"{place}/supply", json.dumps(body).encode()


def _counts(messages: int) -> Iterator[tuple[str, bytes]]:
    names = [f"F{slot:02}" for slot in range(8)]
    for number in range(messages):
        yield f"{_place(number % COUNTED)}/count", _count(1 + number // COUNTED, names)


def _count(panels: int, names: list[str]) -> bytes:
    slots = {
        name: {"placed": panels * (1 + slot % 7), "lost": panels * slot // 1000}
        for slot, name in enumerate(names)
    }
    body = {"session": "s", "seq": panels + 1, "panels": panels, "slots": slots}
    return json.dumps(body).encode()


def _place(number: int) -> str:
    return f"floor/L{number // STATIONS_EACH}/S{number % STATIONS_EACH}"
