"""The call about the message budget: what it answers, and what it refuses with a reason."""

from __future__ import annotations

import warnings

import pytest

from tests.support.floor import START, Floor
from tests.support.sent import busy_day

with warnings.catch_warnings():
    # The test client asks for a successor of httpx that this project doesn't use yet.
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient


def test_the_last_day_is_told_for_each_person_with_what_is_good(client: TestClient, floor: Floor) -> None:
    told = busy_day(START)
    floor.sent.rows, floor.sent.notices = told.rows, told.notices
    answer = client.get("/api/v1/budget").json()
    assert [(each["who"], each["messages"]) for each in answer["people"]] == [
        ("Mira", 77),
        ("Tomas", 63),
        ("office", 0),
    ]
    assert answer["benchmarks"]["per_hour"] == {"good": 6, "most": 12}
    assert (answer["from"], answer["to"]) == ("2026-03-01T06:00:00.000Z", "2026-03-02T06:14:07.000Z")


def test_a_time_may_be_asked_for(client: TestClient) -> None:
    asked = {"from": "2026-03-01T00:00:00Z", "to": "2026-03-01T08:00:00+02:00"}
    answer = client.get("/api/v1/budget", params=asked).json()
    assert len(answer["people"][0]["hours"]) == 6


@pytest.mark.parametrize(
    ("query", "reason"),
    [
        ({"from": "2026-01-01T00:00:00Z"}, "31 days"),
        ({"from": "2026-03-02T09:00:00Z"}, "isn't before"),
        ({"from": "yesterday"}, "no RFC 3339 time"),
    ],
)
def test_a_time_that_does_not_fit_is_refused_with_the_reason(
    client: TestClient, query: dict[str, str], reason: str
) -> None:
    answer = client.get("/api/v1/budget", params=query)
    assert answer.status_code == 422
    assert reason in answer.json()["detail"]
