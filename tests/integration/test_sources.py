"""A source's broker that dies, a real one: told once, over a restart of ours too; its numbers say how old
they are, and a replay tells the same."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from service.domain.gateways import silent
from service.domain.model import Notice
from service.domain.world import World
from service.mqtt.client import Broker, Connection
from service.store import Store, open_store
from service.usecases.batch import Committed, Inbound, Turn
from service.usecases.figures import Figures
from service.usecases.gateways import Gateways
from service.usecases.ingest import Ingest
from service.usecases.owner import Owner
from service.usecases.reach import Reach
from service.usecases.replay import replay
from service.usecases.resend import Resend
from service.usecases.show import Shown
from service.wire.own import NativeTranslator
from tests.support.factory import Gateway
from tests.support.mosquitto import Mosquitto
from tests.support.wait import eventually

AWAY = 0.5


def wall_clock() -> int:
    return time.time_ns() // 1000


class Listener:
    """An owner and a connection for the source ``north``; half a second is long enough here to be away."""

    def __init__(self, store: Store, mosquitto: Mosquitto) -> None:
        snapshot = store.ledger.load()
        self.store, self.committed = store, dict(snapshot.states)
        self.ingest = Ingest(
            world=World.from_states(self.committed),
            ledger=store.ledger,
            committed=self.committed,
            position=snapshot.position,
            last_at=snapshot.at,
            clock=wall_clock,
            root="floor",
            sources=Gateways({"north": NativeTranslator("north")}, self.committed),
        )
        self.connection = Connection(
            Broker(host=mosquitto.host, port=mosquitto.port, client_id="earlybell-north"),
            topics=["north/#"],
            receive=lambda topic, payload, retained, token: self.owner.put(
                Inbound(topic, payload, retained, token, "north")
            ),
            has_room=lambda: True,
            log=lambda *_, **__: None,
            connected=lambda: self.owner.put(Turn("north")),
        )
        self.figures = Figures(["", "north"], since=wall_clock())
        reach = Reach({"": None, "north": None}, silent(self.ingest.world), away=AWAY)
        self.owner = Owner(
            ingest=self.ingest,
            ledger=store.ledger,
            acknowledge=lambda _, tokens: self.connection.acknowledge(tokens),
            announce=lambda _: None,
            ring=lambda: None,
            report=self._note,
            resend=Resend(publish=lambda _: None, root="earlybell", report=lambda _: None),
            look=lambda now, steady: reach.look(
                now,
                steady,
                connected={"": True, "north": self.connection.ready},
                messages=self.figures.messages(),
            ),
        )
        self.threads = [threading.Thread(target=run) for run in (self.owner.run, self.connection.run)]
        for thread in self.threads:
            thread.start()

    def _note(self, committed: list[Committed], **_: Any) -> None:
        self.figures.note(committed, wall_clock())

    def stop(self) -> None:
        self.owner.stop()
        self.connection.stop()
        for thread in self.threads:
            thread.join(10)

    def look_for(self, seconds: float) -> None:
        begin = time.monotonic()

        def passed() -> bool:
            self.owner.tick()
            return time.monotonic() - begin > seconds

        eventually(passed)

    def until_told(self, *states: str) -> list[Notice]:
        """With a look at the time each time that it is asked."""

        def told() -> bool:
            self.owner.tick()
            return sorted(each.state for each in self.notices()) == sorted(states)

        eventually(told, message=lambda: f"{[(each.kind, each.state) for each in self.notices()]}")
        return self.notices()

    def notices(self) -> list[Notice]:
        return self.store.archive.notices(states=("open", "closed"), limit=100, after=None)

    def slot(self) -> Any:
        shown = Shown(committed=self.committed, archive=self.store.archive, site="Tarn", reasons=list)
        return shown.slot("L3", "P1", "F07")


@contextmanager
def listening(path: Path, mosquitto: Mosquitto) -> Iterator[Listener]:
    store = open_store(f"sqlite:///{path}", migrate=True)
    listener = Listener(store, mosquitto)
    try:
        yield listener
    finally:
        listener.stop()
        store.close()


@pytest.fixture
def gateway(broker: Mosquitto) -> Iterator[Gateway]:
    gateway = Gateway(broker.port)
    yield gateway
    gateway.close()


def say(gateway: Gateway, panels: int) -> None:
    slots = {"F07": {"placed": 18 * panels, "lost": 0}}
    body = {"session": "a", "seq": panels, "panels": panels, "slots": slots}
    gateway.send_raw("north/L3/P1/count", json.dumps(body).encode())


def test_a_broker_that_dies_is_told_once_and_its_slots_say_since_when(
    broker: Mosquitto, gateway: Gateway, tmp_path: Path
) -> None:
    with listening(tmp_path / "store.db", broker) as before:
        eventually(lambda: before.connection.ready)
        say(gateway, 1)
        say(gateway, 2)
        eventually(lambda: before.figures.heard("north", wall_clock()).said == {"count": 2})
        assert (before.slot()["source"], before.slot()["stale_since"]) == ("north", None)
        broker.kill()
        (opened,) = before.until_told("open")
        assert (opened.kind, opened.about, opened.line) == ("silent", "north", None)
        since = before.slot()["stale_since"]
        assert since is not None

    with listening(tmp_path / "store.db", broker) as after:
        after.look_for(3 * AWAY)
        assert [each.id for each in after.until_told("open")] == [opened.id], "people know"
        assert after.slot()["stale_since"] == since
        broker.start()
        (closed,) = after.until_told("closed")
        assert closed.id == opened.id
        assert after.slot()["stale_since"] is None
        after.owner.stop()
        must_replay_alike(after, tmp_path)


def must_replay_alike(listener: Listener, tmp_path: Path) -> None:
    shown = Shown(committed=listener.committed, archive=listener.store.archive, site="Tarn", reasons=list)
    again = open_store(f"sqlite:///{tmp_path}/again.db", migrate=True)
    replay(shown.events(since=None, until=None), again.ledger)
    copied = again.archive.notices(states=("open", "closed"), limit=100, after=None)
    assert copied == listener.notices()
    assert again.archive.states("station/") == listener.store.archive.states("station/")
    again.close()
