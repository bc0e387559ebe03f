"""The guided exchange by its calls, on a real store: verdicts, refusals, overrides, undo, and a replay."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from service.domain.access import Role
from service.domain.model import SECOND, to_datetime
from service.store import open_store
from service.usecases.replay import replay
from service.web.gate import needed
from tests.support.hall import Hall, hall

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

F07 = "/api/v1/lines/L3/stations/P1/slots/F07"
T2 = "/api/v1/lines/L3/stations/P1/slots/T2"
LABEL = "[)>\x1e06\x1d1PR-10K-0402\x1dQ5000\x1d1TB81\x1dSreel 9\x1e\x04"
"""ISO/IEC 15434 envelope 06 with ANSI MH10.8.2 identifiers, as in the reference's standards.md, 8."""


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Hall]:
    with hall(tmp_path) as line:
        yield line


@pytest.fixture
def client(line: Hall) -> Iterator[TestClient]:
    with TestClient(line.app, raise_server_exceptions=False) as client:
        yield client


def check(client: TestClient, path: str = F07, **said: Any) -> dict[str, Any]:
    answer = client.post(f"{path}/check", json={"by": "Ines"} | said)
    assert answer.status_code == 200, answer.text
    return answer.json()


def load(client: TestClient, path: str = F07, **said: Any) -> Any:
    body = {"change": "loaded", "guided": True, "by": "Ines"} | said
    return client.post(f"{path}/supply", json=body)


def told(client: TestClient, *states: str) -> list[dict[str, Any]]:
    found = client.get("/api/v1/notices", params={"state": states or ("open", "taken")}).json()
    return [each for each in found if each["kind"] == "wrong part"]


def test_looking_needs_the_role_to_read_and_checking_the_one_to_act():
    assert needed("GET", f"{F07}/exchange") is needed("GET", "/exchange") is Role.READ
    assert needed("POST", f"{F07}/check") is Role.ACT


# Before anything is loaded


def test_what_an_exchange_needs_is_shown(client):
    shown = client.get(f"{T2}/exchange").json()

    assert (shown["kind"], shown["loaded"], shown["wanted"]["part"]) == ("tray", "MCU-48Q", "MCU-48Q")
    assert shown["bring"]["message"] == "one tray of MCU-48Q"
    assert (shown["boundary"]["needed"], shown["boundary"]["now"]) == (True, False)
    assert shown["boundary"]["message"] == (
        "A panel ends about every 38 s; the last ended 0 s ago. Wait for the end of the one in work."
    )
    assert [way["change"] for way in shown["ways"]] == ["loaded"]
    assert shown["cautions"][0]["message"].startswith(
        "The machine's manual and your site's rules come first."
    )
    assert "the emergency stop or the drive switch" in shown["cautions"][2]["message"]
    assert shown["undo"] is None


def test_a_tape_is_offered_to_be_joined_first(client):
    shown = client.get(f"{F07}/exchange").json()

    assert [way["change"] for way in shown["ways"]] == ["joined", "loaded"]
    assert (shown["boundary"]["needed"], shown["usual_quantity"]) == (False, 5000)
    assert shown["wanted"]["instead"] == ["R-10K-0402-B"]


def test_an_unknown_slot_is_said_to_be_unknown(client):
    assert client.get("/api/v1/lines/L3/stations/P1/slots/F99/exchange").status_code == 404
    answer = client.post("/api/v1/lines/L9/stations/P1/slots/F07/check", json={"by": "Ines", "part": "A"})
    assert answer.status_code == 404


def test_a_scanned_label_is_read_and_judged(client):
    found = check(client, label=LABEL)

    assert (found["verdict"], found["quantity"]) == ("right", 5000)
    assert found["read"] == {
        "part": "R-10K-0402",
        "quantity": 5000,
        "lot": "B81",
        "supply": "reel 9",
        "moisture_level": None,
    }
    assert found["notice"] is None
    assert told(client) == []


@pytest.mark.parametrize(
    ("part", "verdict"), [("R-10K-0402", "right"), ("R-10K-0402-B", "substitute"), ("C-100N-0402", "wrong")]
)
def test_what_a_person_types_is_judged_alike(client, part, verdict):
    assert check(client, part=part)["verdict"] == verdict


def test_a_refused_part_is_told_of_and_nothing_is_loaded(client, line):
    before = line.left("F07")
    found = check(client, part="C-100N-0402")

    (notice,) = told(client)
    assert found["notice"] == notice["id"]
    assert "Ines was about to load C-100N-0402" in notice["message"]
    assert line.left("F07") == before


@pytest.mark.parametrize(
    ("body", "wrong"),
    [
        ({"by": "Ines"}, "give a `label`, a `part` or a `supply`"),
        ({"part": "A"}, "by"),
        ({"by": "Ines", "label": "[)>\x1e06\x1d"}, "label"),
    ],
)
def test_what_can_not_be_judged_is_answered_with_what_is_wrong(client, body, wrong):
    answer = client.post(f"{F07}/check", json=body)

    assert answer.status_code == 422
    assert wrong in answer.json()["detail"]


def test_what_is_odd_is_said_beside_the_verdict(client, line):
    line.supply("loaded", "F08", part="C-100N-0402", supply="reel 5", quantity=4000)
    line.supply("loaded", "F11", part="D-SIG-0603", supply="reel 6", quantity=800)
    line.supply("removed", "F11")

    def warnings_of(**said: Any) -> list[str]:
        return [each["message"] for each in check(client, **said)["warnings"]]

    assert warnings_of(part="R-10K-0402", quantity=9000) == [
        "The label says 9,000 parts, more than the 5,000 that this slot usually holds."
    ]
    f08 = F07.replace("F07", "F08")
    assert check(client, F07, supply="reel 5")["verdict"] == "wrong"
    assert [each["message"] for each in check(client, f08, supply="reel 5")["warnings"]] == [
        "By our books reel 5 is in this slot already."
    ]
    used = check(client, F07.replace("F07", "F11"), supply="reel 6", quantity=1000)
    assert (used["verdict"], used["quantity"]) == ("right", 800)
    assert used["warnings"][0]["message"] == "By our books 800 parts are left in reel 6."


# Loading


def test_the_server_itself_refuses_a_guided_load_of_a_wrong_part(client, line):
    answer = load(client, part="C-100N-0402", quantity=4000)

    assert answer.status_code == 409
    assert answer.json()["verdict"] == "wrong"
    assert answer.json()["detail"] == "C-100N-0402 is wrong: the recipe wants R-10K-0402 in slot F07."
    assert line.ingest.world.stations["L3", "P1"].slots["F07"].part == "R-10K-0402"
    assert len(told(client)) == 1


def test_a_load_that_happened_anyway_is_applied_and_told_of(client, line):
    line.supply("loaded", "F07", part="C-100N-0402", by="badge 31")

    (notice,) = told(client, "open")
    assert (notice["part"], notice["level"]) == ("C-100N-0402", "urgent")


def test_a_named_person_with_a_reason_may_load_it_and_is_named(client, line):
    check(client, part="C-100N-0402")
    answer = load(client, part="C-100N-0402", quantity=4000, reason="released by quality")

    assert answer.status_code == 200
    assert answer.json()["part"] == "C-100N-0402"
    (notice,) = told(client)
    assert (notice["state"], notice["taken_by"], notice["reason"]) == ("taken", "Ines", "released by quality")
    entry = list(line.shown.events(since=None, until=None))[-1]
    assert b'"reason":"released by quality"' in entry
    assert b'"by":"Ines"' in entry


def opened(line: Hall, supply: str, hours: float) -> None:
    """A tray of moisture level 3 (168 h by the defaults) that has lain open for so long, and is out again."""
    since = to_datetime(line.now - round(hours * 3600 * SECOND)).isoformat()
    more = {"supply": supply, "part": "MCU-48Q", "quantity": 100, "moisture_level": "3", "opened_at": since}
    line.supply("loaded", "T2", **more)
    line.supply("removed", "T2")


def test_a_supply_whose_floor_life_is_over_is_refused_and_is_no_wrong_part(client, line):
    opened(line, "tray 9", hours=170)

    assert check(client, T2, supply="tray 9")["verdict"] == "expired"
    answer = load(client, T2, part="MCU-48Q", supply="tray 9")
    assert (answer.status_code, answer.json()["verdict"]) == (409, "expired")
    assert told(client) == []
    assert load(client, T2, part="MCU-48Q", supply="tray 9", reason="baked, not noted").status_code == 200


def test_a_floor_life_that_ends_soon_is_said_beside_the_verdict(client, line):
    opened(line, "tray 8", hours=160)

    found = check(client, T2, supply="tray 8")
    assert found["verdict"] == "right"
    assert "Its floor life ends in less than 8 hours." in [each["message"] for each in found["warnings"]]


def test_a_reason_needs_a_name(client):
    answer = load(client, part="C-100N-0402", reason="because", by=None)

    assert (answer.status_code, answer.json()["detail"]) == (
        422,
        "by: a reason needs the name of whoever gives it",
    )


# Undo


def undo(client: TestClient, event: str, path: str = F07) -> Any:
    return client.post(f"{path}/supply", json={"change": "undone", "undoes": event, "by": "Ines"})


def test_a_load_can_be_undone_for_a_minute(client, line):
    before = line.left("F07")
    load(client, id="e1", part="R-10K-0402", quantity=4800)
    line.run(1)
    shown = client.get(f"{F07}/exchange").json()["undo"]

    assert shown["event"] == "e1"
    assert shown["by"] == "Ines"
    assert undo(client, "e1").status_code == 200
    assert line.left("F07") == before - 18


def test_an_undoing_that_is_asked_for_again_under_its_key_is_done_once(client, line):
    before = line.left("F07")
    load(client, id="e1", part="R-10K-0402", quantity=4800)
    said, key = {"change": "undone", "undoes": "e1", "by": "Ines"}, {"Idempotency-Key": "k1"}
    answers = [client.post(f"{F07}/supply", json=said, headers=key) for _ in range(2)]
    assert [answer.status_code for answer in answers] == [200, 200]
    assert line.left("F07") == before
    assert client.post(f"{F07}/supply", json=said, headers={"Idempotency-Key": "k2"}).status_code == 409


def test_after_a_minute_it_is_too_late_and_the_answer_says_so(client, line):
    load(client, id="e1", part="R-10K-0402", quantity=4800)
    line.later(61)

    answer = undo(client, "e1")
    assert (answer.status_code, answer.json()["detail"]) == (
        409,
        "The minute for undoing is over. Say what is in the slot now.",
    )
    assert line.left("F07") == 4800


def test_once_something_else_happened_nothing_is_undone(client, line):
    load(client, id="e1", part="R-10K-0402", quantity=4800)
    line.supply("counted", "F07", quantity=4700)

    assert undo(client, "e1").status_code == 409
    assert undo(client, "never").status_code == 409
    assert line.left("F07") == 4700


def test_an_undoing_must_say_of_what(client):
    answer = client.post(f"{F07}/supply", json={"change": "undone", "by": "Ines"})

    assert answer.status_code == 422
    assert "the id of the exchange" in answer.json()["detail"]


# The same again


def test_a_replay_of_refusals_overrides_and_undoings_gives_the_same(client, line, tmp_path):
    line.run(250)
    check(client, part="C-100N-0402")
    load(client, id="e1", part="C-100N-0402", quantity=4000, reason="released by quality")
    line.run(1)
    undo(client, "e1")
    check(client, part="X-1")
    load(client, id="e2", label=None, part="R-10K-0402-B", quantity=4800, supply="reel 4")
    line.run(1)
    undo(client, "e2")
    load(client, T2, id="e3", part="MCU-48Q", quantity=160, supply="tray 1")
    line.supply("loaded", "F11", supply="tray 1", by="Tom")
    line.later(70)
    line.run(3)
    recorded = list(line.shown.events(since=None, until=None))
    copy = open_store(f"sqlite:///{tmp_path / 'copy.db'}", migrate=True)

    replay(recorded, copy.ledger, batch=7)

    states = ["open", "taken", "quiet", "closed"]
    assert dict(copy.ledger.load().states) == line.ingest.committed
    kept, again = (each.archive.notices(states=states, limit=100, after=None) for each in (line.store, copy))
    assert again == kept
    assert {notice.kind for notice in kept} >= {"supply", "wrong part"}
    copy.close()
