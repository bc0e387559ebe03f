"""Two programs that divide a floor: each counts its own lines, and neither disturbs the other."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from service.domain.shards import Shard
from service.store import register
from tests.support.mosquitto import Mosquitto
from tests.support.postgres import shared_postgres
from tests.support.processes import run_loaded
from tests.support.sharded import Sharded, sharded


@pytest.fixture
def plant(tmp_path: Path, broker: Mosquitto) -> Iterator[Sharded]:
    with sharded(tmp_path, broker, {"rest": ["*"], "east": ["E1"]}) as plant:
        yield plant


def test_each_counts_its_lines_alone_also_what_came_while_it_was_away_and_ends_when_they_change(
    plant: Sharded,
) -> None:
    east, rest = plant.members["east"], plant.members["rest"]
    plant.count("E1", 1)
    plant.count("L", 1)
    east.until_counted("E1", 1)
    rest.until_counted("L", 1)

    east.program.kill()
    plant.count("E1", 2)
    plant.count("L", 2)
    rest.until_counted("L", 2)
    east.start()

    east.until_counted("E1", 2)
    assert east.station("L", "P1") is None
    assert rest.station("E1", "P1") is None
    assert (
        east.metric("earlybell_messages_elsewhere_total"),
        rest.metric("earlybell_messages_elsewhere_total"),
    ) == (
        0,
        2,
    )

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
