"""A plant's line behind the real rules, a real store and the real calls, in one process: what the floor
says is committed at once, and so is what people do. The plant, its parts and people are invented.

Run as a module it serves its pages for a look: ``python -m tests.support.hall [port]``.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from threading import RLock

from fastapi import FastAPI

from service.domain.labels import LabelPattern
from service.domain.model import SECOND, Instant, from_datetime, to_datetime
from service.domain.policy import CareRule, Policy, SlotRule, Substitute
from service.domain.world import World
from service.store import Store, open_store
from service.usecases.batch import Ask, Inbound
from service.usecases.desk import AskingDesk
from service.usecases.exchange import Exchanges
from service.usecases.ingest import Ingest
from service.usecases.show import Shown
from service.web.api import create_app
from service.web.stream import Hub
from tests.support.floor import served
from tests.support.story import START

LINE, STATION = "L3", "P1"
USAGE = {"F07": 18, "F08": 22, "F11": 4, "T2": 1}
PARTS = {"F07": "R-10K-0402", "F08": "C-100N-0402", "F11": "D-SIG-0603", "T2": "MCU-48Q"}
POLICY = Policy(
    timezone="Europe/Vienna",
    slots=[
        SlotRule(slot="T*", kind="tray", full=160),
        SlotRule(slot="F*", kind="tape", full=5000),
    ],
    substitutes=(Substitute(part="R-10K-0402", instead=("R-10K-0402-B",)),),
    cares=(CareRule(kind="bulk", steps=("Look at the case.",)),),
)


class Hall:
    """``now`` is what the clock shows; it moves only when told."""

    def __init__(self, store: Store, policy: Policy = POLICY, labels: tuple[LabelPattern, ...] = ()) -> None:
        self.store, self.hub = store, Hub()
        self.now: Instant = from_datetime(to_datetime(START))
        self.totals: Counter[str] = Counter()
        self.panels = 0
        self.takt = 38.0
        self._lock = RLock()
        self._sent = 0
        self.ingest = Ingest(
            world=World(),
            ledger=store.ledger,
            committed={},
            position=0,
            last_at=0,
            clock=lambda: self.now,
            root="floor",
        )
        self.ingest.adopt_policy(policy)
        self.shown = Shown(
            committed=self.ingest.committed,
            archive=store.archive,
            site="Ferrow plant",
            reasons=list,
            clock=lambda: self.now,
        )
        self.app = self._application(labels)

    def _application(self, labels: tuple[LabelPattern, ...]) -> FastAPI:
        return create_app(
            reading=self.shown,
            desk=AskingDesk(put=self.put, shown=self.shown),
            hub=self.hub,
            metrics=lambda: b"",
            site="Ferrow plant",
            timezone="Europe/Vienna",
            public_url=None,
            labels=labels,
            exchanging=Exchanges(put=self.put, shown=self.shown),
        )

    def put(self, item: Ask | Inbound) -> None:
        with self._lock:
            self.ingest.take([item])

    def later(self, seconds: float) -> None:
        self.now += round(seconds * SECOND)

    def say(self, topic: str, message: Mapping[str, object], *, retained: bool = False) -> None:
        self._sent += 1
        self.put(Inbound(f"floor/{topic}".encode(), json.dumps(message).encode(), retained, (1, self._sent)))

    def begin(self) -> None:
        """A line that runs: its recipe, what is loaded, and some panels."""
        self.say(f"{LINE}/{STATION}/recipe/R1", {"recipe": "R1", "usage": USAGE, "parts": PARTS})
        self.run(0)
        for slot, part in PARTS.items():
            self.supply("loaded", slot, part=part, quantity=160 if slot == "T2" else 5000, lot="A77")
        self.run(12)

    def supply(self, change: str, slot: str, **more: object) -> None:
        self.say(f"{LINE}/{STATION}/supply", {"slot": slot, "change": change} | more)

    def run(self, panels: int) -> None:
        for number in range(max(1, panels)):
            if panels:
                self.later(self.takt)
                self.totals.update(USAGE)
                self.panels += 1
            self.say(
                f"{LINE}/{STATION}/count",
                {
                    "at": to_datetime(self.now).isoformat(),
                    "session": "s1",
                    "seq": 1000 * self.panels + number,
                    "panels": self.panels,
                    "slots": {slot: {"placed": self.totals[slot], "lost": 0} for slot in USAGE},
                },
            )

    def left(self, slot: str) -> int | None:
        return self.ingest.world.stations[LINE, STATION].slots[slot].book


@contextmanager
def hall(folder: Path, policy: Policy = POLICY) -> Iterator[Hall]:
    store = open_store(f"sqlite:///{folder / 'hall.db'}", migrate=True)
    try:
        line = Hall(store, policy)
        line.begin()
        yield line
    finally:
        store.close()


def main() -> None:
    port = int(sys.argv[1]) if len(sys.argv) > 1 else 8099
    with tempfile.TemporaryDirectory() as folder, hall(Path(folder)) as line:
        line.supply("counted", "T2", quantity=8)
        line.supply("counted", "F08", quantity=300)
        with served(line.app, line.hub, port=port) as address:
            print(address, flush=True)
            input()


if __name__ == "__main__":
    main()
