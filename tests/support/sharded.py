"""A plant that shards divide among them: programs on one broker and one PostgreSQL database."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
from msgspec import msgpack

from service.domain.shards import Shard
from service.domain.state import StationState, SupplyState, station_key, supply_key
from service.store import Store, open_store, register
from tests.support.factory import Gateway
from tests.support.forked import ForkedProgram
from tests.support.mosquitto import Mosquitto
from tests.support.ports import free_port
from tests.support.postgres import shared_postgres
from tests.support.wait import eventually

Json = dict[str, Any]


@dataclass(slots=True)
class Member:
    """One shard: its program, and its store to look into."""

    shard: Shard
    program: ForkedProgram
    url: str
    store: Store

    def start(self) -> None:
        self.program.start()
        self.program.wait_ready(self.url)

    def station(self, line: str, station: str) -> StationState | None:
        """As it is stored; ``None``: this shard doesn't know it."""
        key = station_key(line, station)
        data = self.store.archive.states(key).get(key)
        return None if data is None else msgpack.decode(data, type=StationState)

    def supply(self, name: str) -> SupplyState | None:
        key = supply_key(name)
        data = self.store.archive.states(key).get(key)
        return None if data is None else msgpack.decode(data, type=SupplyState)

    def until_counted(self, line: str, seq: int, *, station: str = "P1") -> None:
        def is_counted() -> bool:
            known = self.station(line, station)
            return known is not None and known.seq == seq

        eventually(is_counted, timeout=30, message=self.program.tail)

    def metric(self, name: str) -> float:
        text = httpx.get(f"{self.url}/metrics", timeout=5, trust_env=False).text
        return sum(
            float(line.split()[-1]) for line in text.splitlines() if line.startswith((name + " ", name + "{"))
        )


@dataclass(slots=True)
class Sharded:
    """``database`` is the URL of their store; messages are published by ``gateway``."""

    folder: Path
    broker: Mosquitto
    database: str
    gateway: Gateway
    members: dict[str, Member] = field(default_factory=dict)
    seqs: dict[str, int] = field(default_factory=dict)

    def add(self, name: str, lines: Sequence[str], extra: str = "") -> Member:
        shard = Shard(name, tuple(lines))
        register(self.database, shard, now=1)
        folder = self.folder / name
        folder.mkdir()
        web = free_port()
        config = f'[mqtt]\nurl = "{self.broker.url}"\n[store]\nurl = "{self.database}"\n[web]\nport = {web}\n'
        config += f'[shard]\nname = "{name}"\nlines = {json.dumps(list(lines))}\n{extra}'
        store = open_store(self.database, migrate=False, shard=shard, connections=1)
        member = Member(shard, ForkedProgram(folder, config=config), f"http://127.0.0.1:{web}", store)
        self.members[name] = member
        return member

    def count(self, line: str, placed: int, *, station: str = "P1", **slots: int) -> None:
        """Panels that used so many parts of slot S (or of ``slots``), as totals."""
        place = f"{line}/{station}"
        self.seqs[place] = self.seqs.get(place, 0) + 1
        said = {name: {"placed": parts, "lost": 0} for name, parts in (slots or {"S": placed}).items()}
        self.gateway.send(f"{place}/count", session="s", seq=self.seqs[place], slots=said)

    def close(self) -> None:
        for member in self.members.values():
            member.program.remove()
            member.store.close()
        self.gateway.close()


@contextmanager
def sharded(folder: Path, broker: Mosquitto, shares: Mapping[str, Sequence[str]]) -> Iterator[Sharded]:
    """Registered and ready."""
    server = shared_postgres()
    name = server.create()
    plant = Sharded(folder, broker, server.url(name), Gateway(broker.port))
    try:
        for shard, lines in shares.items():
            plant.add(shard, lines)
        for member in plant.members.values():
            member.start()
        yield plant
    finally:
        plant.close()
        server.drop(name)
