"""What grows with what: disk by counts, memory and start by slots, memory by open pages, time of a backup.

``python -m tests.evaluation.sizing`` prints what ``deploy/sizing.md`` says; every figure is from that one
run on that machine. Rates and latencies are the matter of ``make bench``.
"""

from __future__ import annotations

import argparse
import json
import os
import sqlite3
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import httpx
from sqlalchemy import create_engine, text

from service.store import upgrade
from tests.bench.ingest import broker, read_metric
from tests.bench.stream import counts, publish, supplies
from tests.support.mosquitto import Mosquitto
from tests.support.ports import free_port
from tests.support.postgres import Postgres, running_postgres
from tests.support.processes import Program

STATIONS = 1000
KNOWN = ((10, 10, 10), (50, 10, 20), (100, 10, 45))
"""Lines, stations of a line, slots of a station."""
SUPPLIES = 4
"""What a slot had in turn once it has a past: of the last three it is kept what they fed."""
PAGES = 100
GIVEN_UP = 900.0
MIB = 2**20


@dataclass(slots=True)
class Site:
    """One program with its broker and its store."""

    broker: Mosquitto
    program: Program
    url: str
    folder: Path
    store: str
    server: Postgres | None

    def size(self) -> int:
        """Bytes of the store."""
        if self.server is None:
            with sqlite3.connect(self.folder / "size.db") as connection:
                connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            return sum(path.stat().st_size for path in self.folder.glob("size.db*"))
        name = self.store.rpartition("/")[2]
        with self.server.connect(name) as connection:
            connection.execute("CHECKPOINT")
            row = connection.execute("SELECT pg_database_size(current_database())").fetchone()
        assert row is not None
        return int(row[0])

    def journal(self) -> int:
        """Bytes of its entries as they are packed: what grows with every count, and what prune takes away."""
        engine = create_engine(self.store)
        with engine.connect() as connection:
            found = connection.execute(text("SELECT sum(length(data)) FROM journal")).scalar()
        engine.dispose()
        return int(found or 0)

    def start(self) -> float:
        """Seconds until it is ready."""
        began = time.monotonic()
        self.program.start()
        self.program.wait_ready(self.url, 120)
        return time.monotonic() - began

    def rss(self) -> float:
        """MiB."""
        pages = int(Path(f"/proc/{self.program.pid}/statm").read_text().split()[1])
        return pages * os.sysconf("SC_PAGE_SIZE") / MIB

    def until_taken(self, kind: str, number: int) -> None:
        deadline = time.monotonic() + GIVEN_UP
        with httpx.Client(timeout=10.0, trust_env=False) as client:
            while read_metric(client, self.url, kind) < number:
                if time.monotonic() > deadline:
                    raise TimeoutError(f"{number} {kind} messages weren't taken")
                threading.Event().wait(0.1)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.evaluation.sizing")
    parser.add_argument("--seconds", type=float, default=120.0, help="of counts, for what they take on disk")
    parser.add_argument("--rate", type=float, default=100.0, help="of them, a second")
    parser.add_argument("--only", choices=("disk", "slots"), help="of both")
    options = parser.parse_args()
    for name in () if options.only == "slots" else ("sqlite", "postgresql"):
        with ExitStack() as stack:
            _disk(_site(stack, name), name, options.rate, options.seconds)
    for lines, stations, slots in () if options.only == "disk" else KNOWN:
        with ExitStack() as stack:
            _known(_site(stack, "sqlite"), lines, stations, slots)


def _site(stack: ExitStack, store: str) -> Site:
    running, folder = stack.enter_context(broker())
    server = None
    url = f"sqlite:///{folder}/size.db"
    if store == "postgresql":
        server = stack.enter_context(running_postgres())
        url = server.url(server.create())
        upgrade(url)
    web = free_port()
    config = f'[mqtt]\nurl = "{running.url}"\n[store]\nurl = "{url}"\n[web]\nport = {web}\n'
    program = Program(folder, "run", config=config)
    stack.callback(program.remove)
    return Site(running, program, f"http://127.0.0.1:{web}", folder, url, server)


def _disk(site: Site, name: str, rate: float, seconds: float) -> None:
    """Counts of eight slots at a plant's pace: as few go into one batch, and the less it can be packed."""
    site.start()
    publish(site.broker.port, supplies(STATIONS))
    site.until_taken("supply", STATIONS * 8)
    all_counts = counts(10**9, STATIONS)
    publish(site.broker.port, islice(all_counts, STATIONS * 3))  # room that is used again is there by now
    site.until_taken("count", STATIONS * 3)
    before, packed, number = site.size(), site.journal(), round(rate * seconds)
    publish(site.broker.port, _paced(islice(all_counts, number), rate))
    site.until_taken("count", STATIONS * 3 + number)
    each = (site.journal() - packed) / number
    _say(f"{name}, {STATIONS * 8} slots known; {number} counts of 8 slots, {rate:g} a second,")
    _say(f"  add {each:.0f} bytes a count to the journal, {each * 1e6 / MIB:.0f} MiB a million")
    _say(f"  the store was {before / MIB:.1f} MiB and is {site.size() / MIB:.1f} MiB")
    took, size = _backup(site)
    _say(f"  a backup of {site.size() / MIB:.0f} MiB takes {took:.1f} s and has {size / MIB:.1f} MiB")


def _paced(messages: Iterator[tuple[str, bytes]], rate: float) -> Iterator[tuple[str, bytes]]:
    began = time.monotonic()
    for number, message in enumerate(messages):
        if (ahead := began + number / rate - time.monotonic()) > 0:
            threading.Event().wait(ahead)
        yield message


def _backup(site: Site) -> tuple[float, int]:
    target = site.folder / "backup"
    command = [
        *site.program.command[:3],
        "backup",
        str(target),
        "--config",
        str(site.folder / "earlybell.toml"),
    ]
    began = time.monotonic()
    subprocess.run(command, env=site.program.environment, cwd=site.folder, check=True, capture_output=True)
    return time.monotonic() - began, target.stat().st_size if target.exists() else 0


def _known(site: Site, lines: int, stations: int, slots: int) -> None:
    site.start()
    known, sizes = lines * stations * slots, [site.rss()]
    for supply in range(SUPPLIES):
        publish(site.broker.port, _filled(lines, stations, slots, supply))
        site.until_taken("supply", known * (supply + 1))
        site.until_taken("count", lines * stations * 2 * (supply + 1))
        sizes.append(site.rss())
    site.program.stop(60)
    took = site.start()
    _say(f"{known} slots ({lines} lines, {stations} stations each, {slots} slots each)")
    _say(
        f"  RSS {sizes[0]:.0f} MiB with none, {sizes[1]:.0f} MiB with all, {_each(sizes[1], sizes[0], known)}"
    )
    _say(f"  {sizes[-1]:.0f} MiB after {SUPPLIES} supplies each, {_each(sizes[-1], sizes[0], known)}")
    _say(f"  ready {took:.1f} s after a start, RSS {site.rss():.0f} MiB, store {site.size() / MIB:.0f} MiB")
    with httpx.Client(timeout=30, trust_env=False) as client:
        client.get(f"{site.url}/api/v1/lines/L0/slots")
        began = time.monotonic()
        answer = client.get(f"{site.url}/api/v1/lines/L0/slots")
        _say(f"  the slots of a line: {len(answer.json())} in {(time.monotonic() - began) * 1e3:.0f} ms")
    _pages(site)


def _each(after: float, before: float, slots: int) -> str:
    return f"{(after - before) * 1024 / slots:.2f} KiB a slot"


def _pages(site: Site) -> None:
    before = site.rss()
    with ExitStack() as stack:
        for _ in range(PAGES):
            client = stack.enter_context(httpx.Client(timeout=30, trust_env=False, verify=False))
            stack.enter_context(client.stream("GET", f"{site.url}/api/v1/stream"))
        _say(f"  {PAGES} open pages: {(site.rss() - before) * 1024 / PAGES:.0f} KiB each")


def _filled(lines: int, stations: int, slots: int, supply: int) -> Iterator[tuple[str, bytes]]:
    """Every slot loaded, for so many times before, and two counts of every station with all its slots."""
    for line in range(lines):
        for station in range(stations):
            where = f"floor/L{line}/S{station}"
            for slot in range(slots):
                body: dict[str, object] = {
                    "slot": f"F{slot:03}",
                    "change": "loaded",
                    "id": f"{line}-{station}-{slot}-{supply}",
                }
                body |= {
                    "kind": "tape",
                    "part": f"P-{(line * 7 + slot) % 900}",
                    "lot": f"A{slot}-{supply}",
                    "quantity": 50_000,
                }
                yield f"{where}/supply", json.dumps(body).encode()
            for seq in (2 * supply + 1, 2 * supply + 2):
                made = {f"F{slot:03}": {"placed": seq * 4, "lost": 0} for slot in range(slots)}
                count = {"session": "s", "seq": seq, "panels": seq, "slots": made}
                yield f"{where}/count", json.dumps(count).encode()


def _say(line: str) -> None:
    print(line, flush=True)


if __name__ == "__main__":
    main()
