"""A night of an invented plant in a real store, for tests of what shows it: which lot fed which panels.

Two lines ran order 8841, then 8842; lot A77 was in three slots. Made once a process, when first asked."""

from __future__ import annotations

import atexit
import shutil
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import msgspec

from service.desk import Lookup
from service.domain.world import World
from service.store import Store, open_store
from service.usecases.batch import Inbound
from service.usecases.ingest import Ingest
from service.usecases.lots import Json, Lotbook

BEGIN = datetime(2026, 3, 2, 4, 0, tzinfo=UTC)
TAKT = 24
USAGE = {"P1": {"F07": 18, "F08": 22}, "P2": {"T1": 1, "F31": 1}}
PARTS = {"F07": "R-10K-0402", "F08": "C-100N-0402", "T1": "MCU-48Q", "F31": "XTAL-16M"}


@dataclass(slots=True)
class Night:
    """Panels pass through all stations of both lines; ``messages`` is what the gateways said."""

    panels: int = 0
    messages: list[tuple[str, dict[str, object]]] = field(default_factory=list)

    @property
    def at(self) -> str:
        return (BEGIN + timedelta(seconds=TAKT * self.panels)).isoformat().replace("+00:00", "Z")

    def say(self, topic: str, **body: object) -> None:
        self.messages.append((topic, {"at": self.at} | body))

    def load(self, line: str, slot: str, lot: str | None, quantity: int | None, **more: object) -> None:
        station = next(name for name, usage in USAGE.items() if slot in usage)
        kind = "tray" if slot.startswith("T") else "tape"
        what = {"slot": slot, "change": "loaded", "kind": kind, "part": PARTS[slot], "by": "Mira"}
        said = {"lot": lot, "quantity": quantity} | more
        self.say(f"{line}/{station}/supply", **what | {k: v for k, v in said.items() if v is not None})

    def run(self, panels: int) -> None:
        for _ in range(panels):
            self.panels += 1
            for line in ("L3", "L4"):
                self.count(line)

    def count(self, line: str) -> None:
        for station, usage in USAGE.items():
            slots = {slot: {"placed": each * self.panels, "lost": 0} for slot, each in usage.items()}
            self.say(
                f"{line}/{station}/count", session="n1", seq=self.panels, panels=self.panels, slots=slots
            )

    def order(self, name: str) -> None:
        for line in ("L3", "L4"):
            self.say(f"{line}/order/{name}", order=name, state="running", recipe="GW-2", panels=200)


def night() -> Night:
    told = Night()
    for line in ("L3", "L4"):
        for station, usage in USAGE.items():
            parts = {slot: PARTS[slot] for slot in usage}
            told.say(f"{line}/{station}/recipe/GW-2", recipe="GW-2", usage=usage, parts=parts)
        told.count(line)
    told.order("8841")
    for line, lot in (("L3", "A75"), ("L4", "A77")):
        told.load(line, "F07", lot, 4000, supply=f"U-{lot}")
        told.load(line, "F08", "C30", 9000)
        told.load(line, "T1", "M5", 160)
        told.load(line, "F31", "X1", 3000)
    told.run(25)
    told.load("L3", "F07", "A77", 4000, supply="U-4711")
    told.run(30)
    told.load("L4", "F07", "A78", 4000, by="Jonas")
    told.load("L3", "T1", "M6", 160, by="Jonas")
    told.run(15)
    told.order("8842")
    told.run(20)
    told.load("L3", "F08", "C31", 9000, change="joined", by="Jonas")
    told.run(10)
    told.load("L3", "F07", None, 4000, by="Jonas")
    told.load("L4", "F07", "=A77", 4000)
    told.run(8)
    told.load("L3", "F07", "A77", 4000, supply="U-4712", by="Jonas")
    told.run(12)
    return told


@cache
def _store() -> tuple[Store, Ingest]:
    folder = Path(tempfile.mkdtemp(prefix="lots-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    store = open_store(f"sqlite:///{folder}/lots.db", migrate=True)
    atexit.register(store.close)
    ingest = Ingest(
        world=World(), ledger=store.ledger, committed={}, position=0, last_at=0, clock=lambda: 0,
        root="floor", by_events=True, tell=False,
    )  # fmt: skip
    told = [Inbound(f"floor/{topic}".encode(), msgspec.json.encode(body), False, (1, 1))
            for topic, body in night().messages]  # fmt: skip
    for begin in range(0, len(told), 200):
        ingest.take(told[begin : begin + 200])
    return store, ingest


def lotbook() -> Lotbook:
    store, ingest = _store()
    return Lotbook(lots=store.lots, committed=lambda: ingest.committed)


@dataclass(frozen=True, slots=True)
class LateBook:
    """The same, made when it is first asked; ``failing`` may raise instead."""

    failing: Callable[[], None] = lambda: None

    def stays(self, asked: Lookup) -> list[Json]:
        self.failing()
        return lotbook().stays(asked)

    def all_stays(self, asked: Lookup) -> Iterator[Json]:
        self.failing()
        return lotbook().all_stays(asked)

    def panels(self, asked: Lookup) -> Json:
        self.failing()
        return lotbook().panels(asked)
