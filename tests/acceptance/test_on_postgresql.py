"""The program on PostgreSQL: it won't touch a schema that isn't its own, and rings the bell just the same."""

from __future__ import annotations

import json
from collections.abc import Iterator

import pytest

from tests.acceptance.conftest import StartFactory
from tests.support.mosquitto import Mosquitto
from tests.support.ports import free_port
from tests.support.postgres import shared_postgres
from tests.support.processes import StartProgram


@pytest.fixture
def database() -> Iterator[str]:
    server = shared_postgres()
    name = server.create()
    yield server.url(name)
    server.drop(name)


def test_run_leaves_a_database_alone_until_upgrade_store_has_made_its_schema(
    database: str, start_program: StartProgram, broker: Mosquitto
) -> None:
    environment = {"EARLYBELL_STORE__URL": database, "EARLYBELL_WEB__PORT": str(free_port())}
    environment["EARLYBELL_MQTT__URL"] = broker.url
    early = start_program("run", environment=environment)
    assert early.wait() == 1
    assert "upgrade-store" in early.log()
    assert start_program("upgrade-store", environment=environment).wait() == 0
    check = start_program("check", "--json", environment=environment)
    assert check.wait() == 1
    wrong = [each["found"] for each in json.loads(check.log().splitlines()[0])["findings"]
             if each["state"] == "wrong"]  # fmt: skip
    assert wrong == ["fsync is off: a power cut may destroy the database"]  # as the tests' server is


def test_the_bell_rings_and_a_kill_loses_nothing(
    database: str, start_program: StartProgram, start_factory: StartFactory
) -> None:
    assert start_program("upgrade-store", environment={"EARLYBELL_STORE__URL": database}).wait() == 0
    factory = start_factory(store=database)
    factory.gateway.send("L3/P1/recipe", recipe="r", usage={"T2": 1})
    factory.gateway.send("L3/P1/count", session="a", seq=1, panels=0, slots={"T2": {"placed": 0, "lost": 0}})
    factory.gateway.send(
        "L3/P1/supply", id="1", slot="T2", change="loaded", kind="tray", quantity=600, lot="A77"
    )
    counts = [
        (
            "L3/P1/count",
            {
                "session": "a",
                "seq": panel + 1,
                "panels": panel,
                "slots": {"T2": {"placed": panel, "lost": 0}},
            },
        )
        for panel in range(1, 592)
    ]
    factory.gateway.send_all(counts[:300])
    factory.program.kill()
    factory.gateway.send_all(counts[300:])
    factory.program.start()
    factory.program.wait_ready(factory.url)
    assert factory.until_counted("L3", "T2", seq=592)["remaining"]["book"] == 9
    [stay] = factory.get("/stays?lot=A77")
    assert (stay["used"], stay["panels"][0]["sure"]) == (591, {"first": 1, "last": 591})
    early = factory.wait_told("opened", "early")["data"]
    assert [notice["id"] for notice in factory.get("/notices")] == [early["id"]]
