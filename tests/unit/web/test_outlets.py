"""The calls about outlets: how each fares, a test through one, a look at what it would say."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from typing import Any

import pytest

from tests.support.access import Entrance
from tests.support.floor import plant
from tests.support.office import FAILING, GONE, UNHEARD, WATCHED, WELL, Office

with warnings.catch_warnings():
    # The test client asks for a successor of httpx that this project doesn't use yet.
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

TEST = "/api/v1/outlets/line-3/test"


@pytest.fixture
def office() -> Office:
    return Office(outlets=[WELL, FAILING, GONE, UNHEARD])


@pytest.fixture
def client(office: Office) -> Iterator[TestClient]:
    with TestClient(plant(office=office)[0], raise_server_exceptions=False) as client:
        yield client


def test_outlets_are_listed_as_configured_with_how_each_fares(client: Any) -> None:
    rows = client.get("/api/v1/outlets").json()
    assert [(row["name"], row["state"]) for row in rows] == [
        ("line-3", "well"),
        ("shift-mail", "failing"),
        ("old-hook", "gone"),
        ("phones", "new"),
    ]
    assert rows[1] == {
        "name": "shift-mail",
        "type": "email",
        "leads_to": "mail.ferrow.example",
        "recipients": 2,
        "state": "failing",
        "failing_since": "2026-03-02T06:09:07.250Z",
        "paused_until": None,
        "last_success": "2026-03-02T06:04:07.250Z",
        "last_failure": "2026-03-02T06:13:47.250Z",
        "last_error": "connection refused",
        "waiting": 4,
        "dead": 0,
        "phones": None,
        "routed": True,
        "notice": "n-shift-mail",
    }


def test_a_test_is_sent_in_somebodys_name_and_answers_how_it_went(client: Any, office: Office) -> None:
    answer = client.post(TEST, json={"by": "badge 31"})
    assert (answer.status_code, answer.json()) == (
        200,
        {"outlet": "line-3", "delivered": True, "reason": None, "seconds": 0.4},
    )
    assert office.tests == [("line-3", "badge 31")]


def test_a_test_that_does_not_arrive_is_an_answer_and_no_failure(client: Any, office: Office) -> None:
    office.answers["line-3"] = "connection refused"
    answer = client.post(TEST, json={"by": "ada"})
    assert (answer.status_code, answer.json()["delivered"]) == (200, False)
    assert answer.json()["reason"] == "connection refused"


def test_tests_one_after_another_are_put_off(client: Any, office: Office) -> None:
    office.busy.add("line-3")
    answer = client.post(TEST, json={"by": "ada"})
    assert (answer.status_code, answer.headers["retry-after"]) == (429, "4")


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [
        ("POST", "/api/v1/outlets/nowhere/test", 404),
        ("GET", "/api/v1/outlets/nowhere/preview", 404),
        ("GET", TEST, 405),
    ],
)
def test_what_is_not_there_is_said_so(client: Any, method: str, path: str, status: int) -> None:
    body = {"by": "ada"} if method == "POST" else None
    assert client.request(method, path, json=body).status_code == status


def test_nobody_sends_no_test(client: Any, office: Office) -> None:
    assert client.post(TEST, json={}).status_code == 422
    assert office.tests == []


def test_a_preview_shows_what_would_be_sent(client: Any) -> None:
    rows = client.get("/api/v1/outlets/line-3/preview").json()
    assert [row["sample"] for row in rows] == ["early", "closed"]
    assert rows[0]["headers"] == [["content-type", "application/json"]]
    assert "runs low" in rows[0]["text"]
    assert client.get("/api/v1/outlets/phones/preview").json() == []


def test_whether_its_silence_would_be_noticed_can_be_asked(client: Any, office: Office) -> None:
    assert client.get("/api/v1/heartbeat").json()["leads_to"] is None
    office.lives = WATCHED
    assert client.get("/api/v1/heartbeat").json() == {
        "leads_to": "monitor.ferrow.example",
        "every_minutes": 5.0,
        "last_beat": "2026-03-02T06:14:07.250Z",
        "last_failure": None,
        "last_error": None,
        "at": "07:00",
        "outlets": ["line-3"],
        "said_on": "2026-03-02",
    }


def test_who_may_only_look_sees_them_and_sends_nothing(office: Office) -> None:
    entrance = Entrance()
    app, _ = plant(office=office, door=entrance.door)
    secret = entrance.token("look", "read")
    with TestClient(app) as client:
        assert client.get("/api/v1/outlets").status_code == 401
        known = {"authorization": f"Bearer {secret}"}
        assert client.get("/api/v1/outlets", headers=known).status_code == 200
        assert client.get("/outlets", headers=known).status_code == 200
        assert client.post(TEST, json={"by": "ada"}, headers=known).status_code == 403
    assert office.tests == []


def test_who_tests_is_noted_beside_what_others_do(office: Office) -> None:
    entrance = Entrance()
    app, _ = plant(office=office, door=entrance.door)
    with TestClient(app) as client:
        acts = {"authorization": f"Bearer {entrance.token('mira', 'act')}"}
        assert client.post(TEST, json={"by": "somebody else"}, headers=acts).status_code == 200
        boss = {"authorization": f"Bearer {entrance.token('boss', 'admin')}"}
        deeds = client.get("/api/v1/audit", headers=boss).json()
    assert office.tests == [("line-3", "mira")]
    assert ("mira", f"POST {TEST}", 200) in {(row["who"], row["did"], row["answer"]) for row in deeds}


def test_the_calls_are_described(client: Any) -> None:
    paths = client.get("/openapi.json").json()["paths"]
    assert paths["/api/v1/outlets/{name}/test"]["post"]["responses"].keys() >= {"404", "429"}
