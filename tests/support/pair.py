"""Two programs on one configuration, one in charge and one standing by, and what may happen to the first.

They share broker, client id, store and receiver; the plant's books are one. Each fault ends with one in
charge and the other standing by again, and says how many seconds nobody was ready."""

from __future__ import annotations

import signal
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import httpx
from sqlalchemy import text

from service.store import open_store
from tests.support.mosquitto import Mosquitto
from tests.support.receivers import HttpReceiver
from tests.support.tcp import Proxy
from tests.support.truth import LOADED, Plant
from tests.support.wait import eventually

PROMISED = 30.0
"""Seconds within which the other is in charge."""


class Pair:
    """``store`` is where a test reads it, ``stores`` how each of the two reaches it, ``wires`` what can be
    cut between."""

    def __init__(
        self,
        folder: Path,
        broker: Mosquitto,
        hook: HttpReceiver,
        *,
        store: str,
        stores: tuple[str, str] | None = None,
        wires: tuple[Proxy, Proxy] | None = None,
    ) -> None:
        self.store, self.hook = store, hook
        plants = []
        for name, url in zip("AB", stores or (store, store), strict=True):
            home = folder / name
            home.mkdir()
            outlet = f'[[outlet]]\nname = "hook"\ntype = "webhook"\nurl = "{hook.url}"\n'
            extra = f'[site]\ninstance = "{name}"\n{outlet}'
            plants.append(Plant(home, broker, url, extra=extra))
        self.active, self.other = plants
        self._first = self.active
        self.other.seq, self.other.books = self.active.seq, self.active.books
        self._wires: Mapping[Plant, Proxy] = dict(zip(plants, wires or (), strict=False))
        self._loads = 0

    def begin(self) -> None:
        self.active.begin()
        self.gateway.send("L/BELL/recipe", recipe="r", boards_per_panel=1, usage={"S": 1}, retain=True)
        self.other.start(alone=False)
        self.until_standing(self.other)

    @property
    def gateway(self) -> Any:
        return self._first.gateway

    def publish(self, rounds: int = 1) -> None:
        self._first.publish(rounds)

    def ring(self) -> None:
        """Something to tell people of: a supply that is as good as empty, and its refill."""
        for quantity in (5, LOADED):
            self._loads += 1
            self.gateway.send(
                "L/BELL/supply",
                id=f"load {self._loads}",
                slot="S",
                change="loaded",
                kind="tray",
                quantity=quantity,
            )

    def splice(self, plant: Plant, quantity: int, key: str) -> httpx.Response:
        """A person at this program splices more on at the station of differences."""
        where = "/api/v1/lines/L/stations/DELTA/slots/S/supply"
        body = {"change": "joined", "quantity": quantity, "by": "Ines"}
        return plant.http.post(where, json=body, headers={"Idempotency-Key": key})

    def note_splice(self, quantity: int) -> None:
        self._first.books.write("supply/DELTA", {"change": "joined", "quantity": quantity})

    def kill(self) -> float:
        old = self.active
        old.program.kill()
        seconds = self._until_taken_over()
        self._start_again(old)
        return seconds

    def stop(self) -> float:
        old = self.active
        old.program.signal(signal.SIGTERM)
        seconds = self._until_taken_over()
        assert old.program.wait() == 0
        self._start_again(old)
        return seconds

    def pause(self, *, at_least: float = 0.0) -> float | None:
        """``None``: it was paused within a transaction of SQLite, which holds the file for as long. There it
        is paused at rest, so that this is rare."""
        if self.store.startswith("sqlite"):
            self.active.until_counted()
            eventually(lambda: told_and_untold(self.store, self.hook), timeout=30)
        old, began = self.active, time.monotonic()
        old.program.signal(signal.SIGSTOP)
        try:
            seconds: float | None = self._until_taken_over()
        except AssertionError:
            if not self.store.startswith("sqlite"):
                raise
            seconds = None
        eventually(lambda: time.monotonic() >= began + at_least, timeout=at_least + 1)
        old.program.signal(signal.SIGCONT)
        if seconds is not None:
            self._must_end_deposed(old)
        return seconds

    def cut(self) -> float:
        """Off the store, but not off the broker."""
        old = self.active
        wire = self._wires[old]
        wire.refuse()
        wire.cut()
        seconds = self._until_taken_over()
        wire.heal()
        self._must_end_deposed(old)
        return seconds

    def until_standing(self, plant: Plant) -> None:
        eventually(
            lambda: (
                plant.readiness()[0] == httpx.codes.SERVICE_UNAVAILABLE
                and "is in charge until" in plant.readiness()[1]
            ),
            timeout=30,
            message=lambda: f"{plant.readiness()}\n{plant.program.tail()}",
            ignoring=(),
        )

    def must_agree(self) -> None:
        """Nothing lost, nothing doubled, one writer at a time, and everything told under one name."""
        eventually(lambda: self.other.left() == self.active.left(), message="it shows something else")
        for plant in (self.active, self.other):
            plant.must_agree()
        must_have_had_one_writer_at_a_time(self.store)
        eventually(lambda: told_and_untold(self.store, self.hook), timeout=60, ignoring=(AssertionError,))

    def close(self) -> None:
        for plant in (self.active, self.other):
            plant.close()

    def _until_taken_over(self) -> float:
        old, new, began = self.active, self.other, time.monotonic()

        def is_ready() -> bool:
            self.publish()
            return new.readiness()[0] == httpx.codes.OK

        eventually(is_ready, timeout=PROMISED, message=lambda: f"{new.readiness()}\n{new.program.tail()}")
        self.active, self.other = new, old
        return time.monotonic() - began

    def _must_end_deposed(self, old: Plant) -> None:
        assert old.program.wait(30) == 1
        assert '"deposed"' in old.program.tail()
        self._start_again(old)

    def _start_again(self, plant: Plant) -> None:
        plant.start(alone=False)
        self.until_standing(plant)


def rows(store: str, statement: str) -> list[Any]:
    opened = open_store(store, migrate=False)
    try:
        return list(opened.database.read(lambda connection: connection.execute(text(statement)).all()))
    finally:
        opened.close()


def must_have_had_one_writer_at_a_time(store: str) -> None:
    """Each batch begins where the one before ended, and no term writes once a later one has."""
    batches = rows(store, "SELECT first, count, term FROM journal ORDER BY first")
    ends = [first + count for first, count, _ in batches]
    assert [first for first, _, _ in batches[1:]] == ends[:-1]
    terms = [term for _, _, term in batches]
    assert None not in terms
    assert terms == sorted(terms)


def told_and_untold(store: str, hook: HttpReceiver) -> bool:
    """Every delivery has ended; what counts as sent came, each change under one name however often."""
    deliveries = rows(store, "SELECT key, state FROM outbox")
    waiting = [key for key, state in deliveries if state not in {"sent", "replaced"}]
    assert not waiting, waiting
    received: dict[str, set[tuple[str, str, int]]] = {}
    for request in hook.received.all():
        if len(request.body) < int(request.headers["content-length"]):
            continue  # whoever sent it was killed in the middle
        name = request.headers["webhook-id"].partition(":now")[0]
        event = request.json
        change = event["type"], event["data"]["id"], event["data"]["version"]
        received.setdefault(name, set()).add(change)
    assert {key for key, state in deliveries if state == "sent"} <= received.keys()
    assert received.keys() <= {key for key, _ in deliveries}
    changes = [change for told in received.values() for change in told]
    assert len(changes) == len(set(changes)), "one change under two names"
    return True
