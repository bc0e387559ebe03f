"""The owner's loop on a real store: what the store does to it, what time does, and that a replay agrees."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec
import pytest

from service.domain.events import OutletReport, PersonAct
from service.domain.model import SECOND, Notice, from_datetime
from service.domain.notices import Told
from service.domain.world import World
from service.ports import Batch, StoreError
from service.store import Store, open_store
from service.store.ledger import SqlLedger
from service.usecases.batch import Ask, Inbound
from service.usecases.ingest import Ingest
from service.usecases.owner import MOST_BYTES, Owner
from service.usecases.replay import replay
from service.usecases.resend import Resend
from service.usecases.show import Shown
from service.wire.journal import read_entry
from service.wire.native import Address
from tests.support.wait import eventually

BEGIN = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)


class Trying(SqlLedger):
    """A real ledger that fails as it is told: before writing, after it, or on what is written."""

    def __init__(self, store: Store) -> None:
        super().__init__(store.database)
        self.fails: list[str] = []
        self.spoilt = b"\0"
        self.commits = 0

    def commit(self, batch: Batch) -> None:
        how = self.fails.pop(0) if self.fails else ""
        if how == "away":
            raise StoreError("away")
        if any(self.spoilt in entry.data for entry in batch.journal):
            raise ValueError("a value that no column takes")
        super().commit(batch)
        self.commits += 1
        if how == "answer lost":
            raise StoreError("the connection was cut")


class Line:
    """An owner in its thread; messages carry their time, which is the time, unless there is a ``clock``."""

    def __init__(self, store: Store, clock: Callable[[], int] | None = None) -> None:
        self.store, self.ledger = store, Trying(store)
        snapshot = store.ledger.load()
        committed = dict(snapshot.states)
        self.ingest = Ingest(
            world=World.from_states(committed),
            ledger=self.ledger,
            committed=committed,
            position=snapshot.position,
            last_at=snapshot.at,
            clock=clock or (lambda: 0),
            root="floor",
            by_events=clock is None,
        )
        self.acknowledged: list[tuple[int, int]] = []
        self.owner = Owner(
            ingest=self.ingest,
            ledger=self.ledger,
            acknowledge=lambda _, tokens: self.acknowledged.extend(tokens),
            announce=lambda _: None,
            ring=lambda: None,
            report=lambda *_, **__: None,
            resend=Resend(publish=lambda _: None, root="earlybell", report=lambda _: None),
        )
        self.now = BEGIN
        self.sent = 0
        self.thread = threading.Thread(target=self.owner.run)
        self.thread.start()

    def stop(self) -> None:
        self.owner.stop()
        self.thread.join(10)

    def later(self, seconds: float) -> None:
        self.now += timedelta(seconds=seconds)

    def say(self, topic: str, **body: Any) -> None:
        self.raw(topic, json.dumps({"at": self.now.isoformat(), **body}).encode())

    def raw(self, topic: str, payload: bytes) -> None:
        self.sent += 1
        self.owner.put(Inbound(f"floor/{topic}".encode(), payload, False, (1, self.sent)))

    def until_taken(self) -> None:
        eventually(lambda: len(self.acknowledged) == self.sent, message=lambda: f"{self.owner.trouble}")

    def tick(self) -> None:
        """Time is looked at; a message behind it shows that this is done."""
        self.owner.tick()
        self.say("L/clock/tower", lamps={"green": "on"})
        self.until_taken()

    def notices(self, *states: str) -> list[Notice]:
        wanted = states or ("open", "taken", "quiet", "closed")
        return self.store.archive.notices(states=wanted, limit=100, after=None)

    def told(self) -> list[tuple[str, str]]:
        return sorted((notice.kind, notice.state) for notice in self.notices())


@contextmanager
def opened(path: Path) -> Iterator[Store]:
    store = open_store(f"sqlite:///{path}", migrate=True)
    try:
        yield store
    finally:
        store.close()


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Line]:
    with opened(tmp_path / "store.db") as store:
        line = Line(store)
        yield line
        line.stop()


def deltas(line: Line, number: int, *, spoilt: bool = False) -> None:
    """Differences without a number: nothing tells a second hearing from a first."""
    for _ in range(number):
        line.later(1)
        more = {"lane": "\0 a value that is spoilt"} if spoilt else {}
        line.say("L/P1/count", counts="delta", slots={"S": {"placed": 1}}, **more)


def placed(line: Line) -> int:
    world = World.from_states(line.store.archive.states(""))
    return world.stations["L", "P1"].slots["S"].counted


@pytest.mark.parametrize("how", ["away", "answer lost"])
def test_a_batch_is_counted_once_however_its_commit_ended(line: Line, how: str) -> None:
    deltas(line, 1)
    line.until_taken()
    before = placed(line)
    line.ledger.fails = [how, "away", how, how]
    deltas(line, 20)
    line.until_taken()
    assert placed(line) == before + 20
    assert line.owner.trouble is None
    assert len(list(line.store.archive.journal(position=0))) == 21


def test_nothing_is_acknowledged_while_the_store_is_away(line: Line) -> None:
    line.ledger.fails = ["away"] * 4
    deltas(line, 3)
    eventually(lambda: line.owner.trouble)
    assert line.acknowledged == []
    line.until_taken()


def test_what_the_store_refuses_is_set_aside_alone_and_its_batch_is_counted(line: Line) -> None:
    line.ledger.spoilt = b"spoilt"
    line.ledger.fails = ["away", "", "answer lost", "", "away"]
    deltas(line, 5)
    deltas(line, 1, spoilt=True)
    deltas(line, 5)
    line.until_taken()
    assert placed(line) == 10
    (refused,) = line.store.archive.refused(limit=10, after=None)
    assert "no column takes" in refused.reason
    assert refused.times == 1


def at_work(line: Line) -> None:
    line.say("L/P1/recipe", recipe="r", usage={"S": 1})
    line.say("L/order", order="A", recipe="r", panels=1000, state="running")
    for panel in range(4):
        line.later(20)
        slots = {"S": {"placed": panel}}
        line.say("L/P1/count", session="s", seq=panel, panels=panel, slots=slots)
    line.until_taken()


def test_a_silent_station_is_told_and_a_replay_tells_the_same(line: Line, tmp_path: Path) -> None:
    at_work(line)
    line.tick()
    for _ in range(4):
        line.later(60)
        line.tick()
    assert line.told() == [("silent", "open")]
    line.say("L/P1/count", session="s", seq=4, panels=4, slots={"S": {"placed": 4}})
    line.until_taken()
    assert line.told() == [("silent", "closed")]
    must_replay_alike(line, tmp_path)


def test_many_refused_messages_are_one_notice_that_ends_and_a_replay_tells_the_same(
    line: Line, tmp_path: Path
) -> None:
    at_work(line)
    for number in range(40):
        line.later(1)
        line.say("L/clock/tower", lamps={"green": "on"})
        line.raw("L/P1/count", b"not json %d" % number)
        line.raw("L/nowhere/count", b"not json %d" % number)
    line.until_taken()
    assert line.told() == [("refused", "open"), ("refused", "open")]
    assert {(notice.line, notice.station) for notice in line.notices()} == {("L", "P1"), (None, None)}
    line.later(599)
    line.tick()
    line.tick()
    assert [kind for kind in line.told() if kind[0] == "refused"] == [("refused", "open")] * 2
    line.later(2)
    line.tick()
    line.tick()
    assert [kind for kind in line.told() if kind[0] == "refused"] == [("refused", "closed")] * 2
    must_replay_alike(line, tmp_path)


def test_a_quiet_spell_that_ends_while_the_program_is_down_ends_at_its_next_start(tmp_path: Path) -> None:
    with opened(tmp_path / "store.db") as store:
        before = Line(store)
        at_work(before)
        before.say("L/P1/tower", lamps={"yellow": "flashing"}, buzzer="on", slots=["S"])
        before.until_taken()
        (notice,) = before.notices()
        until = from_datetime(before.now) + 600 * SECOND
        act = PersonAct(notice=notice.id, action="quiet", by="Ines", until=until)
        answer: Future[list[Told]] = Future()
        before.owner.put(Ask(Address("person", "L", "P1"), act, msgspec.json.encode(act), answer))
        answer.result(10)
        before.stop()
        after = Line(store)
        after.now = before.now
        after.tick()
        assert [each.state for each in after.notices()] == ["quiet"]
        after.later(900)
        after.tick()
        after.tick()
        assert [each.state for each in after.notices()] == ["open"]
        after.stop()


def test_a_clock_that_is_set_back_turns_no_moment_round(tmp_path: Path) -> None:
    now = [from_datetime(BEGIN)]
    with opened(tmp_path / "store.db") as store:
        ingest = Ingest(
            world=World(),
            ledger=store.ledger,
            committed={},
            position=0,
            last_at=0,
            clock=lambda: now[0],
            root="floor",
        )
        for panel, step in enumerate((0, 7200, -7200, 20, 20)):
            now[0] += step * SECOND
            body = b'{"session": "s", "seq": %d, "slots": {"S": {"placed": %d}}}' % (panel, panel)
            ingest.take([Inbound(b"floor/L/P1/count", body, False, (1, 1))])
        moments = [entry.at for _, entry in store.archive.journal(position=0)]
        assert moments == sorted(set(moments))
        assert ingest.world.stations["L", "P1"].slots["S"].counted == 4


def test_a_clock_that_was_ahead_for_one_message_is_told_of_once_and_sources_are_learned_anew(
    tmp_path: Path,
) -> None:
    now = [from_datetime(BEGIN)]
    with opened(tmp_path / "store.db") as store:
        line = Line(store, lambda: now[0])

        def count(panel: int) -> None:
            slots = {"S": {"placed": 10 * panel}}
            line.say("L/P1/count", session="s", seq=panel, panels=panel, slots=slots)
            line.until_taken()

        def told() -> list[bytes]:
            return [entry.data for _, entry in store.archive.journal(position=0) if entry.kind == "time"]

        try:
            count(1)
            now[0] += 3600 * SECOND
            count(2)
            now[0] -= 3600 * SECOND
            for _ in range(3):
                line.owner.tick()
            eventually(lambda: told() != [])
            line.raw("L/P1/supply", b'{"slot": "S", "change": "loaded", "quantity": 300, "id": "one"}')
            for panel in range(3, 13):
                line.later(20)
                now[0] += 20 * SECOND
                count(panel)
        finally:
            line.stop()
        assert line.ingest.world.stations["L", "P1"].slots["S"].book == 200
        assert told() == [b'{"heard_since":%d,"clock_set":true}' % from_datetime(BEGIN)]


def must_replay_alike(line: Line, tmp_path: Path) -> None:
    reasons: Callable[[], list[str]] = list
    shown = Shown(committed=line.ingest.committed, archive=line.store.archive, site="A", reasons=reasons)
    with opened(tmp_path / "again.db") as again:
        replay(shown.events(since=None, until=None), again.ledger)
        copied = again.archive.notices(states=("open", "closed"), limit=100, after=None)
        assert copied == line.notices()
        assert again.archive.states("station/") == line.store.archive.states("station/")


def test_large_messages_that_wait_for_a_store_that_is_away_leave_no_room_for_more(line: Line) -> None:
    line.ledger.fails += ["away"] * 3
    large = json.dumps({"at": line.now.isoformat(), "note": "x" * MOST_BYTES}).encode()
    assert line.owner.has_room()
    line.say("L/P1/count", slots={"F1": {"placed": 1}})
    eventually(lambda: line.owner.trouble is not None)
    line.raw("L/P1/count", large)
    assert not line.owner.has_room()
    line.until_taken()
    assert line.owner.has_room()


def test_what_was_pressed_on_a_notice_without_a_place_is_read_back(line: Line) -> None:
    line.owner.put(
        Ask(
            Address("outlet", "", None),
            failing := OutletReport(outlet="chat", state="failing"),
            msgspec.json.encode(failing),
            Future(),
        )
    )
    eventually(lambda: line.told() == [("outlet", "open")])
    notice = line.notices("open")[0]
    assert (notice.line, notice.station) == (None, None)
    act = PersonAct(notice=notice.id, action="take", by="Ines")
    done: Future[list[Told]] = Future()
    line.owner.put(Ask(Address("person", "", None), act, msgspec.json.encode(act), done))
    done.result(timeout=10)
    assert [read_entry(entry)[1] for _, entry in line.store.archive.journal(position=0)][-1] == act
