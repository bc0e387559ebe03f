"""What further sources say goes into the same commit as what their translators have to remember."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import msgspec
import pytest

from service.domain.gateways import HANDOVER
from service.domain.model import SECOND, Instant
from service.domain.world import World
from service.ports import Batch, StoreError
from service.store import Store
from service.store.ledger import SqlLedger
from service.usecases.batch import Committed, Inbound, Turn
from service.usecases.gateways import PREFIX, Gateways, without
from service.usecases.ingest import Ingest
from service.wire.gateway import Memory, Native, Plain
from service.wire.native import Address, Misfit

NOW = 1_772_431_200 * SECOND


class Sum(msgspec.Struct, array_like=True):
    placed: int = 0


class Adding(Plain):
    """A gateway that says how many it placed: ``3`` is three more. Nothing but its memory knows the total."""

    filters: tuple[str, ...] = ("adding/#",)

    def __init__(self) -> None:
        self.memory = Memory(Sum, Sum)

    def hear(
        self, topic: str, payload: bytes, *, at: Instant, retained: bool = False
    ) -> Sequence[Native] | None:
        if not payload.isdigit():
            raise Misfit("no number")
        if not int(payload):
            return None
        place = topic.removeprefix("adding/")
        known = self.memory.of(place)
        known.placed += int(payload)
        return [count(place, known.placed, bad=payload == b"13")]


def count(place: str, placed: int, *, bad: bool = False, **more: Any) -> Native:
    line, station = place.split("/")
    slots = {"no such name!" if bad else "F07": {"placed": placed}}
    return Native(Address("count", line, station), json.dumps({**more, "slots": slots}).encode())


class Trying(SqlLedger):
    def __init__(self, store: Store) -> None:
        super().__init__(store.database)
        self.fails: list[Exception] = []

    def commit(self, batch: Batch) -> None:
        if self.fails:
            raise self.fails.pop()
        super().commit(batch)


class Plant:
    def __init__(self, store: Store) -> None:
        self.store, self.now, self.ledger = store, NOW, Trying(store)
        self.start()

    def start(self) -> None:
        """As after a crash: what isn't in the store is gone."""
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
            sources=Gateways({"adding": Adding(), "other": Adding()}, committed),
        )

    def hear(self, *payloads: str, source: str = "adding", place: str = "L3/P1") -> Committed:
        self.now += SECOND
        items = [
            Inbound(f"adding/{place}".encode(), each.encode(), False, (1, 1), source) for each in payloads
        ]
        return self.ingest.take(items)

    @property
    def base(self) -> int | None:
        return self.ingest.world.stations["L3", "P1"].slots["F07"].base_placed

    def refused(self) -> list[str]:
        return [row.reason for row in self.store.archive.refused(limit=9, after=None)]


@pytest.fixture(params=["sqlite", "postgresql"])
def plant(request, new_store) -> Plant:
    return Plant(new_store(request.param))


def test_a_restart_goes_on_where_the_last_commit_was(plant):
    plant.hear("3", "4")
    plant.start()
    plant.hear("5")

    assert plant.base == 12
    assert without(plant.ingest.committed).keys() == plant.ingest.committed.keys() - {f"{PREFIX}adding/L3/P1"}


def test_a_batch_that_can_not_be_stored_was_never_heard(plant):
    plant.hear("3")
    plant.ledger.fails = [ValueError("a value that no column takes")]
    with pytest.raises(ValueError, match="no column"):
        plant.hear("4")
    plant.hear("4")

    assert plant.base == 7


def test_while_the_store_is_away_the_same_batch_waits_and_counts_once(plant):
    plant.hear("3")
    plant.ledger.fails = [StoreError("away")]
    items = [Inbound(b"adding/L3/P1", b"4", False, (1, 1), "adding")]
    with pytest.raises(StoreError):
        plant.ingest.take(items)
    plant.ingest.take(items)

    assert plant.base == 7


def test_what_it_can_not_read_is_refused_and_a_repeat_is_counted_as_one(plant):
    committed = plant.hear("three", "0", "13")

    heard = committed.heard["adding"]
    assert (heard.messages, heard.repeats, heard.refused) == (3, 1, 2)
    assert len(plant.refused()) == 2
    assert any("no number" in reason for reason in plant.refused())
    assert any("no such name!" in reason for reason in plant.refused())


def test_one_station_is_counted_by_one_source(plant):
    plant.hear("3")
    plant.hear("4")
    plant.hear("9", source="other")

    assert plant.base == 7
    assert plant.refused() == ["L3/P1 is counted by source 'adding': two would count twice"]


def test_another_takes_over_once_the_first_has_been_silent_and_begins_anew(plant):
    plant.hear("3")
    plant.hear("4")
    plant.now += HANDOVER
    plant.hear("900", source="other")
    plant.hear("1", source="other")

    station = plant.ingest.world.stations["L3", "P1"]
    assert station.source.name == "other"
    assert station.slots["F07"].counted == 4 + 1
    assert plant.refused() == []


def test_what_time_alone_says_and_can_not_be_handled_is_seen(plant):
    plant.ingest.refuse(Turn(), RuntimeError("a mistake of ours"))

    assert plant.refused() == ["could not be handled: RuntimeError: a mistake of ours"]


def test_time_alone_may_say_something_and_being_connected_too(plant):
    class Late(Adding):
        due: Instant | None = NOW

        def next_moment(self) -> Instant | None:
            return self.due

        def look(self, at: Instant) -> Sequence[Native]:
            self.due = None
            return [count("L3/P1", 5)]

        def connected(self, at: Instant) -> Sequence[Native]:
            return [count("L3/P1", 9)]

    plant.ingest.sources = Gateways({"adding": Late()})
    plant.ingest.take([Turn()])
    assert plant.base == 5
    assert plant.ingest.take([Turn()]).counts == {"refused": 0}
    plant.ingest.take([Turn(connected="adding")])
    assert plant.base == 9
