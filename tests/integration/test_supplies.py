"""Floor lives and trays by their calls, on a real store: care, notices by time alone, refusal, replay."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import msgspec
import pytest

from service.domain import floor
from service.domain.events import TimePassed
from service.domain.model import SECOND, to_datetime
from service.domain.policy import MoistureRule, SlotRule
from service.domain.trays import Matrix
from service.store import open_store
from service.usecases.batch import Ask
from service.usecases.replay import replay
from service.wire.native import Address
from tests.support.hall import POLICY, Hall, hall

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

HOUR = 3600.0
SLOT = "/api/v1/lines/L3/stations/P1/slots/T2"
MOIST = msgspec.structs.replace(
    POLICY,
    slots=[SlotRule(slot="T*", tray=Matrix(8, 20)), SlotRule(slot="F*", kind="tape", full=5000)],
    moisture=(MoistureRule(part="MCU-*", level="3"),),
)


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Hall]:
    with hall(tmp_path, MOIST) as line:
        yield line


@pytest.fixture
def client(line: Hall) -> Iterator[TestClient]:
    with TestClient(line.app, raise_server_exceptions=False) as client:
        yield client


def care(client: TestClient, supply: str, change: str, **more: Any) -> dict[str, Any]:
    answer = client.post(f"/api/v1/supplies/{supply}/care", json={"change": change, "by": "Ines"} | more)
    assert answer.status_code == 200, answer.text
    return answer.json()


def load(client: TestClient, **said: Any) -> Any:
    return client.post(f"{SLOT}/supply", json={"change": "loaded", "by": "Ines"} | said)


def wait(line: Hall, hours: float) -> None:
    """Nobody says anything: the clock alone is looked at, as often as the rules ask for."""
    end = line.now + round(hours * HOUR * SECOND)
    while (moment := floor.next_moment(line.ingest.world)) is not None and moment <= end:
        line.now = max(line.now, moment)
        passed = TimePassed()
        line.put(Ask(Address("time", "", None), passed, msgspec.json.encode(passed), Future()))
    line.now = end


def notices(client: TestClient, *states: str) -> list[dict[str, Any]]:
    found = client.get("/api/v1/notices", params={"state": states or ("open",)}).json()
    return [each for each in found if each["kind"] == "floor life"]


def test_a_supply_is_followed_from_its_bag_into_the_slot_and_out_again(client, line):
    assert care(client, "TR-1", "opened", part="MCU-48Q")["floor_life"]["left_hours"] == 168.0
    line.later(10 * HOUR)
    assert care(client, "TR-1", "dry")["floor_life"]["left_hours"] == 158.0
    line.later(20 * HOUR)
    assert load(client, supply="TR-1", quantity=160).status_code == 200
    (shown,) = client.get("/api/v1/supplies").json()
    assert (shown["where"], shown["left"]) == ({"line": "L3", "station": "P1", "slot": "T2"}, 160)
    slot = client.get(SLOT).json()
    assert (slot["floor_life"]["state"], slot["floor_life"]["left_hours"]) == ("exposed", 158.0)
    assert slot["floor_life"]["ends_at"] == shown["floor_life"]["ends_at"]
    line.supply("removed", "T2")
    line.later(8 * HOUR)
    (shown,) = client.get("/api/v1/supplies").json()
    assert (shown["where"], shown["floor_life"]["left_hours"]) == (None, 150.0)
    assert client.get(SLOT).json()["floor_life"] is None


def test_an_end_before_the_parts_is_told_by_time_alone_and_ends_with_the_bake(client, line):
    said = to_datetime(line.now - round(164 * HOUR * SECOND)).isoformat()
    load(client, supply="TR-1", quantity=5000, opened_at=said)
    assert notices(client) == []
    wait(line, 3)
    (notice,) = notices(client)
    assert (notice["level"], notice["slot"], notice["part"]) == ("early", "T2", "MCU-48Q")
    wait(line, 2)
    (worse,) = notices(client)
    assert (worse["id"], worse["level"]) == (notice["id"], "urgent")
    assert client.get(SLOT).json()["floor_life"]["state"] == "expired"
    care(client, "TR-1", "baked")
    assert notices(client) == []
    assert [each["closed_because"] for each in notices(client, "closed")] == ["better"]


def test_the_guided_step_refuses_what_is_over_until_it_was_baked(client, line):
    care(client, "TR-1", "opened", part="MCU-48Q")
    line.later(200 * HOUR)
    check = client.post(f"{SLOT}/check", json={"part": "MCU-48Q", "supply": "TR-1", "by": "Ines"})
    assert check.json()["verdict"] == "expired"
    refused = load(client, supply="TR-1", part="MCU-48Q", quantity=160, guided=True)
    assert refused.status_code == 409
    assert "floor life" in refused.json()["detail"]
    care(client, "TR-1", "baked")
    assert load(client, supply="TR-1", part="MCU-48Q", quantity=160, guided=True).status_code == 200


def test_a_tray_shows_its_next_cell_and_what_doesnt_fit(client, line):
    load(client, trays={"next": [3, 5]})
    shown = client.get(SLOT).json()
    assert (shown["remaining"]["book"], shown["tray"]["next"], shown["tray"]["tray"]) == (95, [3, 5], 1)
    line.run(20)
    assert client.get(SLOT).json()["tray"]["next"] == [4, 5]
    load(client, quantity=200)
    assert client.get(SLOT).json()["tray"]["too_many"] == 40


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ({"trays": {"rows": 0}}, "trays.rows"),
        ({"trays": {"next": [1]}}, "trays.next"),
        ({"trays": "8x20"}, "trays"),
        ({"moisture_level": "wet"}, "moisture_level"),
        ({"floor_hours": -1}, "floor_hours"),
        ({"opened_at": "yesterday"}, "opened_at"),
    ],
)
def test_a_person_is_told_what_doesnt_fit(client, said, told):
    answer = load(client, **said)
    assert answer.status_code == 422
    assert told in answer.json()["detail"]


def test_a_replay_of_care_gives_the_same(client, line, tmp_path):
    care(client, "TR-1", "opened", part="MCU-48Q")
    line.later(10 * HOUR)
    care(client, "TR-1", "dry", humidity=5)
    line.later(10 * HOUR)
    load(client, supply="TR-1", quantity=5000, trays={"rows": 10, "columns": 25, "stack": 20})
    line.run(3)
    wait(line, 170)
    care(client, "TR-1", "baked")
    line.supply("removed", "T2")
    recorded = list(line.shown.events(since=None, until=None))
    copy = open_store(f"sqlite:///{tmp_path / 'copy.db'}", migrate=True)

    replay(recorded, copy.ledger, batch=3)

    assert dict(copy.ledger.load().states) == line.ingest.committed
    states = ["open", "taken", "quiet", "closed"]
    kept, again = (each.archive.notices(states=states, limit=100, after=None) for each in (line.store, copy))
    assert again == kept
    assert [each.kind for each in kept].count("floor life") == 1
    copy.close()
