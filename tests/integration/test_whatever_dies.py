"""A model of two stations against the real store: whatever is repeated, late, lost in answers or killed."""

from __future__ import annotations

import json
import shutil
import tempfile
from pathlib import Path

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from service.domain.model import SECOND
from service.domain.world import World
from service.ports import StoreError
from service.store import open_store
from service.usecases.batch import Inbound
from service.usecases.ingest import Ingest
from tests.integration.test_owner import Trying
from tests.support.story import START

FULL = 100_000


class Floor(RuleBasedStateMachine):
    """What a gateway sent, in its order; what the program did with it; what must be left."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp())
        self.sent: list[tuple[str, bytes]] = []
        self.seq = {"TOTAL": 0, "DELTA": 0}
        self.session = 0
        self.total = 0
        self.left = {"TOTAL": FULL, "DELTA": FULL}
        self.loads = 0
        self.now = START
        self.wake()

    def teardown(self) -> None:
        self.store.close()
        shutil.rmtree(self.folder)

    def wake(self) -> None:
        """A start: all that is known is what the store holds."""
        self.store = open_store(f"sqlite:///{self.folder}/store.db", migrate=True)
        self.ledger = Trying(self.store)
        snapshot = self.store.ledger.load()
        committed = dict(snapshot.states)
        self.ingest = Ingest(
            world=World.from_states(committed),
            ledger=self.ledger,
            committed=committed,
            position=snapshot.position,
            last_at=snapshot.at,
            clock=lambda: self.now,
            root="floor",
        )

    @initialize()
    def full(self) -> None:
        for station in self.left:
            self.say(station, "count", self.counted(station, 0))
            self.load(station)

    def say(self, station: str, kind: str, body: dict[str, object]) -> None:
        self.sent.append((f"floor/L/{station}/{kind}", json.dumps(body).encode()))
        self.take(len(self.sent) - 1)

    def take(self, *numbers: int) -> None:
        """One batch, insisted on as the owner does."""
        self.now += SECOND
        batch = [Inbound(self.sent[n][0].encode(), self.sent[n][1], False, (1, 1)) for n in numbers]
        while True:
            try:
                self.ingest.take(batch)
                return
            except StoreError:
                continue

    def counted(self, station: str, placed: int) -> dict[str, object]:
        self.seq[station] += 1
        if station == "TOTAL":
            self.total += placed
        body: dict[str, object] = {
            "session": f"s{self.session}",
            "seq": self.seq[station],
            "slots": {"S": {"placed": self.total if station == "TOTAL" else placed}},
        }
        self.left[station] -= placed
        return body | ({"counts": "delta"} if station == "DELTA" else {})

    @rule(station=st.sampled_from(["TOTAL", "DELTA"]), placed=st.integers(0, 9))
    def count(self, station: str, placed: int) -> None:
        self.say(station, "count", self.counted(station, placed))

    @rule(placed=st.integers(1, 9))
    def overtaken(self, placed: int) -> None:
        """Two differences change places on their way."""
        messages = [self.counted("DELTA", placed) for _ in range(2)]
        for message in reversed(messages):
            self.say("DELTA", "count", message)

    @rule(placed=st.integers(1, 9))
    def lost_total(self, placed: int) -> None:
        """A total that never comes is healed by the next one."""
        self.counted("TOTAL", placed)
        self.say("TOTAL", "count", self.counted("TOTAL", 0))

    @rule(data=st.data())
    def again(self, data: st.DataObject) -> None:
        """What was acknowledged too late comes once more, in its order."""
        first = data.draw(st.integers(0, len(self.sent) - 1))
        self.take(*range(first, min(len(self.sent), first + 20)))

    @rule(station=st.sampled_from(["TOTAL", "DELTA"]))
    def load(self, station: str) -> None:
        self.loads += 1
        self.left[station] = FULL
        body = {"id": f"load{self.loads}", "slot": "S", "change": "loaded", "kind": "tray", "quantity": FULL}
        self.say(station, "supply", body)

    @rule()
    def gateway_restarts(self) -> None:
        """A new session counts from zero; the old one never comes back."""
        self.session += 1
        self.total = 0
        self.seq = {"TOTAL": 0, "DELTA": 0}
        for station in self.seq:
            self.say(station, "count", self.counted(station, 0))

    @rule(fails=st.lists(st.sampled_from(["away", "answer lost", ""]), max_size=4))
    def store_fails(self, fails: list[str]) -> None:
        self.ledger.fails = list(fails)

    @rule()
    def crash_and_start(self) -> None:
        self.store.close()
        self.wake()

    @precondition(lambda self: self.sent)
    @invariant()
    def books_are_right(self) -> None:
        world = World.from_states(self.ingest.committed)
        book = {name: station.slots["S"].book for (_, name), station in world.stations.items()}
        assert book == {name: self.left[name] for name in book}
        assert dict(self.store.ledger.load().states) == self.ingest.committed


Floor.TestCase.settings = settings(max_examples=12, stateful_step_count=25, deadline=None)
TestWhateverDies = Floor.TestCase
