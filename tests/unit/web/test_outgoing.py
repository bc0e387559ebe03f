"""The calls about deliveries: what people see of them, and sending a dead one again."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from typing import Any

import pytest

from service.outgoing import DeliveryRow
from service.ports import Settled
from service.usecases.deliver import Bell, OutTray
from service.web.api import create_app
from service.web.stream import Hub
from tests.support.floor import SITE, TIMEZONE, Floor
from tests.support.notices import AT, closed, new_delivery, notice, urgent
from tests.support.outbox import MemoryOutbox

with warnings.catch_warnings():
    # The test client asks for a successor of httpx that this project doesn't use yet.
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

NOW = AT + 60_000_000


class Office:
    """An outbox with a delivery in each state, and who sent what again."""

    def __init__(self) -> None:
        self.outbox, self.bell = MemoryOutbox(), Bell()
        self.sent_again: list[tuple[int, str]] = []
        self.outbox.enqueue(new_delivery(notice()))
        self._settle("sent")
        self.outbox.enqueue(new_delivery(urgent()))
        self._settle("dead", "answered 410 Gone")
        self.outbox.enqueue(new_delivery(closed()))
        self._settle("waiting", "answered 503 Service Unavailable")

    def _settle(self, state: Any, error: str | None = None) -> None:
        (claimed,) = self.outbox.claim(owner="a", now=AT, lease_until=AT + 1, limit=1)
        settled = Settled(state=state, at=AT, covers=0, not_before=NOW, error=error)
        assert self.outbox.settle(claimed, owner="a", settled=settled)

    def note(self, row: DeliveryRow, by: str) -> None:
        self.sent_again.append((row.id, by))


@pytest.fixture
def office() -> Office:
    return Office()


@pytest.fixture
def calls(office: Office) -> Iterator[Any]:
    hub = Hub()
    floor = Floor(hub)
    app = create_app(
        reading=floor,
        desk=floor,
        hub=hub,
        metrics=lambda: b"",
        site=SITE,
        timezone=TIMEZONE,
        public_url=None,
        tray=OutTray(outbox=office.outbox, bell=office.bell, clock=lambda: NOW, report=office.note),
    )
    with TestClient(app, raise_server_exceptions=False) as client:
        yield client


def test_deliveries_come_newest_first_with_why_the_last_attempt_failed(calls: Any) -> None:
    answer = calls.get("/api/v1/deliveries")
    assert answer.status_code == 200
    rows = answer.json()
    assert [(row["id"], row["state"], row["error"]) for row in rows] == [
        (3, "waiting", "answered 503 Service Unavailable"),
        (2, "dead", "answered 410 Gone"),
        (1, "sent", None),
    ]
    assert (rows[0]["outlet"], rows[0]["notice"], rows[0]["change"]) == ("hook", "n7c1", "closed")
    assert (rows[0]["attempts"], rows[0]["next_try"]) == (1, "2026-03-02T06:15:07.250Z")
    assert rows[1]["next_try"] is None


@pytest.mark.parametrize(
    ("query", "ids"),
    [
        ("state=dead", [2]),
        ("state=waiting", [3]),
        ("state=sending", []),
        ("limit=1", [3]),
        ("after=3", [2, 1]),
    ],
)
def test_they_are_told_apart_by_state_and_read_in_pages(calls: Any, query: str, ids: list[int]) -> None:
    assert [row["id"] for row in calls.get(f"/api/v1/deliveries?{query}").json()] == ids


@pytest.mark.parametrize("query", ["state=lost", "limit=0", "after=-1", "after=x"])
def test_a_question_that_does_not_fit_is_told_so(calls: Any, query: str) -> None:
    assert calls.get(f"/api/v1/deliveries?{query}").status_code == 422


def test_a_dead_delivery_is_sent_again_at_once_and_the_outlet_gets_another_chance(
    calls: Any, office: Office
) -> None:
    answer = calls.post("/api/v1/deliveries/2/again", json={"by": "badge 31"})
    assert (answer.status_code, answer.json()["state"]) == (200, "waiting")
    assert office.outbox.state("n7c1:2:hook")[0] == "waiting"
    assert office.sent_again == [(2, "badge 31")]
    assert office.bell.take_revived() == ["hook"]


@pytest.mark.parametrize("number", [1, 3])
def test_what_is_not_dead_is_not_sent_again(calls: Any, office: Office, number: int) -> None:
    answer = calls.post(f"/api/v1/deliveries/{number}/again", json={"by": "ada"})
    assert (answer.status_code, answer.json()["id"]) == (409, number)
    assert office.sent_again == []


def test_a_delivery_that_is_not_known_is_404_and_nobody_is_422(calls: Any) -> None:
    assert calls.post("/api/v1/deliveries/99/again", json={"by": "ada"}).status_code == 404
    assert calls.post("/api/v1/deliveries/2/again", json={}).status_code == 422
    assert calls.get("/api/v1/deliveries/2/again").status_code == 405


def test_a_store_that_is_away_is_503(calls: Any, office: Office) -> None:
    office.outbox.away = 1
    assert calls.get("/api/v1/deliveries").status_code == 503


def test_the_calls_are_described(calls: Any) -> None:
    paths = calls.get("/openapi.json").json()["paths"]
    assert paths["/api/v1/deliveries/{delivery_id}/again"]["post"]["responses"].keys() >= {
        "404",
        "409",
        "503",
    }
    assert "get" in paths["/api/v1/deliveries"]
