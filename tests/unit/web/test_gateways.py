"""The call about gateways: what each figure is called, what isn't known, and what a standby says."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from service.domain.model import SECOND, to_rfc3339
from service.web.gateways import SourceView
from tests.support.floor import plant
from tests.support.gateways import OWN, SINCE, Gateways, elsewhere
from tests.support.notices import AT

with warnings.catch_warnings():
    # The test client asks for a successor of httpx that this project doesn't use yet.
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient


@pytest.fixture
def incoming() -> Gateways:
    return Gateways()


@pytest.fixture
def client(incoming: Gateways) -> Iterator[TestClient]:
    app, _ = plant(incoming=incoming)
    with TestClient(app, raise_server_exceptions=False) as client:
        yield client


def rows(client: TestClient) -> dict[str, Any]:
    answer = client.get("/api/v1/gateways")
    assert answer.status_code == 200
    for row in answer.json():
        SourceView.model_validate(row, strict=True)
    return {row["source"]: row for row in answer.json()}


def test_every_source_of_the_configuration_is_told_ours_first(client: TestClient):
    assert list(rows(client)) == ["mqtt", "north-hall", "reflow", "new-gateway"]


def test_its_figures_are_those_since_this_instance_listens(client: TestClient):
    figures = rows(client)["mqtt"]["figures"]
    assert figures["since"] == to_rfc3339(SINCE)
    assert (figures["messages"], figures["per_minute"], figures["gaps"]) == (18_402, 102.4, None)
    assert figures["said"] == {"count": 18_310, "tower": 77, "supply": 12}
    assert figures["clocks"] == {"median": -0.04, "worst": -0.095}
    assert figures["stations"][0] == {"line": "L3", "station": "P1", "clock_flagged": False}
    assert figures["last_refusal"] is None


def test_one_that_is_not_reached_says_why_and_since_when_people_know(client: TestClient):
    north = rows(client)["north-hall"]
    assert (north["state"], north["notice"]) == ("away", "n-north-hall")
    assert north["trouble"].endswith("Connection refused")
    assert north["silent_since"] == to_rfc3339(AT - 900 * SECOND)
    assert north["figures"]["gaps"] == 2


def test_the_last_refusal_has_its_reason(client: TestClient):
    reflow = rows(client)["reflow"]
    assert reflow["figures"]["last_refusal"] == {
        "reason": "slots.F07.placed: -1 is below 0",
        "at": to_rfc3339(AT - 1300 * SECOND),
    }
    assert [each["clock_flagged"] for each in reflow["figures"]["stations"]] == [False, True]


def test_one_on_trial_tells_what_it_would_have_counted(client: TestClient):
    tried = rows(client)["new-gateway"]
    assert (tried["state"], tried["figures"]) == ("trial", None)
    assert tried["trial"]["slots"][2]["counted"] is None


def test_a_standby_tells_what_is_configured_and_that_another_listens(client: TestClient, incoming: Gateways):
    incoming.sources = [elsewhere(row) for row in incoming.sources[:2]]
    own, north = rows(client).values()
    assert own["state"] == north["state"] == "elsewhere"
    assert own["figures"] is own["trouble"] is own["silent_since"] is None
    assert (own["topics"], north["format"]) == (["floor/#"], "sparkplug")


def test_where_no_time_was_said_nothing_is_known_of_clocks(client: TestClient, incoming: Gateways):
    assert OWN.now is not None
    counted = replace(OWN.now.counted, ahead=None, worst=None)
    incoming.sources = [replace(OWN, now=replace(OWN.now, counted=counted))]
    assert rows(client)["mqtt"]["figures"]["clocks"] is None
