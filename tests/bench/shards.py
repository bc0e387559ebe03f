"""One stream drained by one instance, and by two that divide its lines, on PostgreSQL: whether a second
process carries more, with the broker and the database on the same two cores."""

from __future__ import annotations

import json
import time
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from os import getloadavg

import httpx

from service.domain.shards import Shard
from service.store import register, upgrade
from tests.bench.ingest import broker, program, read_metric
from tests.bench.stream import counts, publish, supplies
from tests.support.postgres import running_postgres
from tests.support.processes import Program

STATIONS = 1000
LINES = tuple(f"L{number}" for number in range(STATIONS // 100))
HALF = len(LINES) // 2
NAMED = (Shard("first", LINES[:HALF]), Shard("second", LINES[HALF:]))
"""Each subscribes to its own lines alone; the catch-all has nothing to do and isn't started."""
CATCHING = (Shard("first", LINES[:HALF]), Shard("second", ("*",)))
"""The second hears everything and leaves the first one's half."""
REST = Shard("rest", ("*",))
GIVEN_UP = 600.0
"""Seconds."""


@dataclass(frozen=True, slots=True)
class Shares:
    """Messages a second, all processes together."""

    one: float
    named: float
    catching: float


def report(messages: int) -> list[str]:
    """For people, with the goal."""
    got = shares(messages)
    head = (
        f"{messages} queued counts on PostgreSQL, by one instance and by two that divide the lines, a second"
    )
    return [
        head,
        f"  one instance {got.one:.0f}",
        f"  two with named lines {got.named:.0f}   ratio {got.named / got.one:.2f} (goal 1.3)",
        f"  named lines and a catch-all {got.catching:.0f}   ratio {got.catching / got.one:.2f} (goal 1.3)",
        f"  load of the machine afterwards {getloadavg()[0]:.1f}",
    ]


def shares(messages: int) -> Shares:
    return Shares(*(_rate(messages, division) for division in ((), NAMED, CATCHING)))


def _rate(messages: int, division: Sequence[Shard]) -> float:
    """Of the whole stream, from the first reading above nothing until the last message is stored."""
    with ExitStack() as stack:
        server = stack.enter_context(running_postgres())
        running, folder = stack.enter_context(broker())
        store = server.url(server.create())
        _make_known(store, division)
        programs = {}
        for shard in division or (None,):
            home = folder / (shard.name if shard else "one")
            home.mkdir()
            made, url = program(home, running.port, store, _section(shard))
            stack.callback(made.remove)
            programs[url] = made
        _load(programs, running.port)
        publish(running.port, counts(messages, STATIONS))
        for each in programs.values():
            each.start()
        return _drained(list(programs), messages)


def _make_known(store: str, division: Sequence[Shard]) -> None:
    if not division:
        upgrade(store)
        return
    catch_all = [] if any(each.catches_all for each in division) else [REST]
    for shard in sorted([*division, *catch_all], key=lambda each: each.catches_all):
        register(store, shard, now=time.time_ns() // 1000)


def _section(shard: Shard | None) -> str:
    if shard is None:
        return ""
    return f'[shard]\nname = "{shard.name}"\nlines = {json.dumps(shard.lines)}\n'


def _load(programs: Mapping[str, Program], port: int) -> None:
    """A full reel in every slot; then all of them are away."""
    for url, each in programs.items():
        each.start()
        each.wait_ready(url, 60)
    publish(port, supplies(STATIONS))
    _await(list(programs), "supply", STATIONS * 8)
    for each in programs.values():
        each.stop(60)


def _drained(urls: Sequence[str], messages: int) -> float:
    began, first = _await(urls, "count", 1)
    ended, last = _await(urls, "count", messages)
    return (last - first) / (ended - began)


def _await(urls: Sequence[str], kind: str, number: int) -> tuple[float, float]:
    """When so many were taken by all of them together, and how many that really were."""
    deadline = time.monotonic() + GIVEN_UP
    with httpx.Client(timeout=5.0, trust_env=False) as client:
        while time.monotonic() < deadline:
            taken = sum(_taken(client, url, kind) for url in urls)
            if taken >= number:
                return time.monotonic(), taken
            time.sleep(0.1)  # a measuring interval
    raise TimeoutError(f"{number} {kind} messages weren't taken in {GIVEN_UP:g} s")


def _taken(client: httpx.Client, url: str, kind: str) -> float:
    try:
        return read_metric(client, url, kind)
    except httpx.TransportError:
        return 0.0
