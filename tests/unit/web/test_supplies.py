"""The calls about supplies that have a name."""

from __future__ import annotations

import pytest

CARE = "/api/v1/supplies/TR-0413/care"


def names(client, query=""):
    answer = client.get(f"/api/v1/supplies{query}")
    assert answer.status_code == 200, answer.text
    return [each["supply"] for each in answer.json()]


def test_what_is_over_soonest_comes_first_and_what_has_no_end_last(client):
    assert names(client) == [
        "R-2207",
        "R-2211",
        "TR-0412",
        "TR-0500",
        "TR-0398",
        "TR-0413",
        "R-1001",
    ]


def test_a_supply_tells_where_it_is_and_how_long_it_may_lie_open(client):
    shown = next(each for each in client.get("/api/v1/supplies").json() if each["supply"] == "TR-0412")
    assert (shown["part"], shown["left"], shown["where"]) == ("MCU-48Q", 95, None)
    life = shown["floor_life"]
    assert (life["state"], life["level"], life["left_hours"]) == ("exposed", "3", 68.0)
    assert life["ends_at"] is not None


def test_what_isnt_known_is_null(client):
    shown = {each["supply"]: each["floor_life"] for each in client.get("/api/v1/supplies").json()}
    assert shown["R-1001"] is None
    assert (shown["TR-0500"]["state"], shown["TR-0500"]["left_hours"]) == ("unknown", None)
    assert shown["TR-0500"]["reason"] == "label"
    assert (shown["R-2211"]["left_hours"], shown["R-2211"]["at_most_hours"]) == (None, 1.5)


def test_a_choice_and_pages(client):
    assert names(client, "?state=expired") == ["R-2207"]
    assert names(client, "?state=dry&state=sealed") == ["TR-0398", "TR-0413"]
    assert names(client, "?part=MCU-48Q") == ["TR-0412", "TR-0413"]
    assert names(client, "?line=L3") == []
    assert names(client, "?q=shield") == ["R-2207", "R-2211"]
    assert names(client, "?limit=2&after=R-2211") == ["TR-0412", "TR-0500"]


def test_what_was_done_is_answered_with_the_supply_as_it_is_then(client):
    answer = client.post(CARE, json={"change": "opened", "by": "Ines"})
    assert answer.status_code == 200, answer.text
    assert answer.json()["floor_life"]["state"] == "exposed"
    answer = client.post(CARE, json={"change": "dry", "humidity": 5, "by": "Ines"})
    assert answer.json()["floor_life"]["state"] == "dry"


def test_a_supply_that_nobody_heard_of_comes_into_being(client):
    said = {"change": "opened", "part": "MCU-48Q", "moisture_level": "MSL 5a", "by": "Ines"}
    answer = client.post("/api/v1/supplies/new/one%20Ä/care", json=said)
    assert answer.status_code == 200, answer.text
    shown = answer.json()
    assert (shown["supply"], shown["floor_life"]["level"]) == ("new/one Ä", "5a")


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ({"change": "opened"}, "by"),
        ({"change": "washed", "by": "Ines"}, "change"),
        ({"change": "dry", "humidity": 120, "by": "Ines"}, "humidity"),
        ({"change": "opened", "moisture_level": "wet", "by": "Ines"}, "moisture_level"),
        ({"change": "opened", "floor_hours": 0, "by": "Ines"}, "floor_hours"),
        ({"change": "opened", "at": "yesterday", "by": "Ines"}, "at"),
    ],
)
def test_what_doesnt_fit_is_named(client, said, told):
    answer = client.post(CARE, json=said)
    assert answer.status_code == 422
    assert told in answer.json()["detail"]
