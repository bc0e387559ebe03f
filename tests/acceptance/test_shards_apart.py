"""Two programs that divide a floor: each counts its own lines, what one learns the other knows, a
supply keeps its rest, and neither disturbs the other."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from msgspec import msgpack

from service.domain.history import Learned, law_key
from service.domain.shards import Shard
from service.store import register
from tests.support.mosquitto import start_mosquitto
from tests.support.postgres import shared_postgres
from tests.support.processes import run_loaded
from tests.support.sharded import Member, Sharded, sharded
from tests.support.wait import eventually


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Sharded]:
    """For all tests of this file; the last one ends the programs."""
    folder = tmp_path_factory.mktemp("apart")
    broker = start_mosquitto(folder)
    try:
        with sharded(folder, broker, {"rest": ["*"], "east": ["E1"]}) as plant:
            yield plant
    finally:
        broker.remove()


def load(plant: Sharded, line: str, supply: str, quantity: int | None = None) -> None:
    said: dict[str, Any] = {} if quantity is None else {"quantity": quantity}
    reel = {"slot": "S", "change": "loaded", "kind": "tape", "part": "R1", "supply": supply}
    plant.gateway.send(f"{line}/P1/supply", **(reel | said))


def left(member: Member, line: str) -> int | None:
    station = member.station(line, "P1")
    return None if station is None else station.slots["S"].book


def ends(member: Member) -> int:
    data = member.store.archive.states("law/").get(law_key("tape", "R1"))
    return 0 if data is None else msgpack.decode(data, type=Learned).finished


def test_a_supply_keeps_its_rest_and_ends_teach_both_also_who_was_away(plant: Sharded) -> None:
    rest, east = plant.members["rest"], plant.members["east"]
    plant.count("L", 0)
    plant.count("E1", 0)
    load(plant, "L", "R-7", 500)
    plant.count("L", 120)
    rest.until_counted("L", 2)
    plant.gateway.send("L/P1/supply", slot="S", change="removed")
    eventually(
        lambda: (
            (known := east.supply("R-7")) is not None
            and known.stock is not None
            and known.stock.counted == 120
        ),
        timeout=20,
        message=east.program.tail,
    )

    load(plant, "E1", "R-7")
    plant.count("E1", 30)
    eventually(lambda: left(east, "E1") == 350, timeout=20, message=east.program.tail)
    load(plant, "L", "R-7")  # straight out of the other's slot
    eventually(lambda: left(rest, "L") == 350, timeout=20, message=rest.program.tail)

    east.program.kill()
    plant.gateway.send("L/P1/supply", slot="S", change="counted", quantity=2)
    eventually(lambda: ends(rest) == 1, timeout=20, message=rest.program.tail)
    east.start()
    eventually(lambda: ends(east) == 1, timeout=20, message=east.program.tail)
    assert east.station("E1", "P1") is not None
    assert rest.station("E1", "P1") is None


def test_each_counts_its_lines_alone_also_what_came_while_it_was_away_and_ends_when_they_change(
    plant: Sharded,
) -> None:
    east, rest = plant.members["east"], plant.members["rest"]
    before = rest.metric("earlybell_messages_elsewhere_total")
    plant.count("E1", 1, station="P2")
    plant.count("L", 1, station="P2")
    east.until_counted("E1", 1, station="P2")
    rest.until_counted("L", 1, station="P2")

    east.program.kill()
    plant.count("E1", 2, station="P2")
    plant.count("L", 2, station="P2")
    rest.until_counted("L", 2, station="P2")
    east.start()

    east.until_counted("E1", 2, station="P2")
    assert east.station("L", "P2") is None
    assert rest.station("E1", "P2") is None
    assert east.metric("earlybell_messages_elsewhere_total") == 0
    assert rest.metric("earlybell_messages_elsewhere_total") == before + 2

    register(plant.database, Shard("north", ("N1",)), now=2)
    for member in (east, rest):
        assert member.program.wait(20) == 1
        assert "divided otherwise" in member.program.tail()


def test_who_takes_no_part_in_the_division_does_not_begin(tmp_path: Path) -> None:
    server = shared_postgres()
    name = server.create()
    register(server.url(name), Shard("rest", ("*",)), now=1)
    config = f'[store]\nurl = "{server.url(name)}"\n[web]\nport = 0\n'
    (tmp_path / "earlybell.toml").write_text(config, encoding="utf-8")

    ended = run_loaded(["run", "--config", "earlybell.toml"], folder=tmp_path, environment={})

    assert ended.returncode == 1
    assert "is divided among shards on this database (rest)" in ended.stderr.decode()
    server.drop(name)
