"""What a shard takes of all that it hears and is asked: its own lines, and the rest isn't even read."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Future
from pathlib import Path

import msgspec
import pytest

from service.desk import Unfit
from service.domain.events import Readied
from service.domain.shards import Division, Shard
from service.domain.world import World
from service.store import Store, open_store
from service.usecases.batch import Ask, Inbound
from service.usecases.gateways import Gateways
from service.usecases.ingest import Ingest
from service.usecases.ours import Ours
from service.wire.native import Address
from service.wire.own import NativeTranslator

REST, EAST = Shard("rest", ("*",)), Shard("east", ("E1", "Ö*"))
COUNT = b'{"slots": {"S": {"placed": 1}}, "session": "s", "seq": 1}'


@pytest.fixture
def make(tmp_path: Path) -> Iterator[Callable[[Shard], Ingest]]:
    stores: list[Store] = []

    def make(own: Shard) -> Ingest:
        stores.append(open_store(f"sqlite:///{tmp_path}/{own.name}.db", migrate=True))
        committed: dict[str, bytes] = {}
        return Ingest(
            world=World(),
            ledger=stores[-1].ledger,
            committed=committed,
            position=0,
            last_at=0,
            clock=lambda: 1_000_000,
            root="floor",
            sources=Gateways({"north": NativeTranslator("north")}, committed),
            ours=Ours(Division(own, [EAST, REST]), "floor"),
        )

    yield make
    for store in stores:
        store.close()


def heard(topic: str, payload: bytes = COUNT, source: str = "") -> Inbound:
    return Inbound(topic.encode(), payload, False, (1, 1), source)


def test_what_is_of_another_shards_lines_is_dropped_unread_and_nothing_is_written(make) -> None:
    ingest = make(EAST)

    done = ingest.take([heard("floor/L/P1/count", b"no JSON"), heard("floor/nonsense", b"x")])

    assert (done.heard[""].elsewhere, done.heard[""].messages, ingest.position) == (2, 0, 0)
    assert ingest.take([heard("floor/E1/P1/count"), heard("floor/L/P1/count")]).counts["count"] == 1
    assert set(ingest.world.stations) == {("E1", "P1")}


def test_what_does_not_fit_is_set_aside_by_exactly_one_shard(make) -> None:
    topics = ("floor/E1/P1/count", "floor/E1/nonsense", "floor/L/P1/count", "floor/nonsense", "floor")
    messages = [heard(topic, b"no JSON") for topic in topics]

    refused = {own.name: make(own).take(messages).counts.get("refused", 0) for own in (EAST, REST)}

    assert refused == {"east": 2, "rest": 3}


def test_a_line_is_the_same_however_its_letters_are_composed(make) -> None:
    assert make(EAST).take([heard("floor/O\N{COMBINING DIAERESIS}1/P1/count")]).counts["count"] == 1


def test_messages_of_a_source_are_told_apart_by_the_lines_that_they_say(make) -> None:
    here, there = heard("north/E1/P1/count", source="north"), heard("north/L/P1/count", source="north")

    done = make(EAST).take([here, there, heard("north/nonsense", source="north")])

    assert (done.counts["count"], done.heard["north"].elsewhere, done.counts["refused"]) == (1, 1, 0)
    assert make(REST).take([heard("north/nonsense", source="north")]).counts["refused"] == 1


def test_who_asks_the_wrong_shard_is_told_which_is_right(make) -> None:
    said = Readied(part="R1", supplies=1, by="Ines")
    ask = Ask(Address("ready", "L", None), said, msgspec.json.encode(said), Future())

    make(EAST).take([ask])

    with pytest.raises(Unfit, match="line L is of shard rest, this is east"):
        ask.answer.result(0)
