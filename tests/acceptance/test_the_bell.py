"""The main job from end to end: counts by MQTT in, a warning in a receiver and a mailbox before the slot
is empty."""

from __future__ import annotations

import json
from typing import Any

import httpx
import pytest

from tests.support.factory import Factory


def begin(factory: Factory, *, tray: int, usage: dict[str, float] | None = None) -> None:
    """A tray in T2, in a session whose first count says that nothing is placed yet."""
    factory.gateway.send("L3/P1/recipe", retain=True, recipe="door-unit", usage=usage or {"T2": 1})
    factory.gateway.send("L3/P1/count", session="a", seq=1, panels=0, slots={"T2": {"placed": 0, "lost": 0}})
    factory.gateway.send(
        "L3/P1/supply", id="first", slot="T2", change="loaded", kind="tray", part="MCU-48Q", quantity=tray
    )


def run(factory: Factory, first: int, last: int) -> None:
    """Panels ``first`` to ``last``, one count each."""
    for panel in range(first, last + 1):
        factory.gateway.send(
            "L3/P1/count",
            session="a",
            seq=panel + 1,
            panels=panel,
            slots={"T2": {"placed": panel, "lost": 0}},
        )
    factory.until_counted("L3", "T2", seq=last + 1)


def kinds(factory: Factory) -> list[tuple[str, str]]:
    return [(event["type"].rpartition(".")[2], event["data"]["level"]) for event in factory.told()]


def test_a_tray_is_warned_of_once_early_once_urgent_and_closed_by_its_refill(factory: Factory) -> None:
    factory.gateway.listen("earlybell/#")
    begin(factory, tray=60)
    run(factory, 1, 45)
    assert factory.get("/notices") == []

    run(factory, 46, 51)
    early = factory.wait_told("opened", "early")["data"]
    assert 9 <= early["panels_to_empty"]["p50"] <= 11
    factory.mail.wait_for(1)  # or one letter tells both
    run(factory, 52, 57)
    urgent = factory.wait_told("changed", "urgent")["data"]
    assert 2 <= urgent["panels_to_empty"]["p50"] <= 4
    assert urgent["id"] == early["id"]
    factory.mail.wait_for(2)  # or the refill's letter takes its place

    factory.gateway.send(
        "L3/P1/supply", id="second", slot="T2", change="loaded", kind="tray", quantity=160, by="badge 31"
    )
    closed = factory.wait_told("closed", "urgent")["data"]
    assert (closed["id"], closed["closed_because"], closed["closed_by"]) == (
        early["id"],
        "refilled",
        "badge 31",
    )
    run(factory, 58, 60)
    assert kinds(factory) == [("opened", "early"), ("changed", "urgent"), ("closed", "urgent")]

    letters = factory.mail.wait_for(3)
    assert len(letters) == 3
    assert all("T2" in letter.message["Subject"] for letter in letters)
    assert "MCU-48Q" in letters[0].text()
    first = letters[0].message["Message-ID"]
    assert [letter.message["In-Reply-To"] is not None for letter in letters] == [False, True, True]
    assert all(first in letter.message["References"] for letter in letters[1:])


def test_the_same_numbers_stand_in_the_api_in_the_topic_and_in_the_notice(factory: Factory) -> None:
    factory.gateway.listen("earlybell/#")
    begin(factory, tray=60)
    run(factory, 1, 52)
    shown = factory.slot("L3", "T2")
    assert shown["remaining"]["book"] == 8
    assert shown["state"] == "due"
    assert shown["boundary_only"] is True
    factory.until(lambda: factory.gateway.last("earlybell/L3/P1/T2/forecast") == shown, "topic is not API")
    (notice,) = factory.get("/notices", state="open")
    assert notice["panels_to_empty"] == shown["panels_to_empty"]
    (in_topic,) = factory.until(lambda: factory.gateway.last("earlybell/L3/notices"), "no notices topic")
    assert in_topic["id"] == notice["id"]
    assert factory.until(
        lambda: factory.gateway.last("earlybell/L3/P1/received") == {"session": "a", "seq": 53},
        "the last stored count isn't said",
    )
    plan = factory.until(lambda: _kept(factory.gateway.last("earlybell/L3/plan")), "no plan is kept and told")
    assert [stop["panels"] for stop in plan["stops"]] == [stop["panels"] for stop in _plan(factory)["stops"]]
    assert plan["stops"][0]["exchanges"][0]["notice"] == notice["id"]


def _kept(plan: Any) -> Any:
    return plan if plan and plan["kept_since"] else None


def _plan(factory: Factory) -> Any:
    return factory.get("/lines/L3/plan")


def test_repeats_and_published_forecasts_are_counted_in_the_metrics(factory: Factory) -> None:
    begin(factory, tray=60)
    run(factory, 1, 2)
    run(factory, 2, 2)
    factory.until(
        lambda: (
            _metric(factory, "earlybell_messages_repeated_total") == 1
            and _metric(factory, "earlybell_forecasts_published_total") >= 1
        ),
        "repeats or forecasts weren't counted",
    )


def _metric(factory: Factory, name: str) -> float:
    lines = httpx.get(f"{factory.url}/metrics", trust_env=False).text.splitlines()
    return next(float(line.split()[1]) for line in lines if line.startswith(f"{name} "))


def test_an_order_that_ends_before_the_slot_does_gives_no_notice(factory: Factory) -> None:
    begin(factory, tray=60)
    factory.gateway.send("L3/order", order="A-1", recipe="door-unit", panels=50, state="running")
    run(factory, 1, 50)
    assert factory.get("/notices") == []
    assert factory.told() == []
    assert factory.slot("L3", "T2")["state"] == "ok"


def test_the_next_queued_order_that_needs_the_slot_gives_one(factory: Factory) -> None:
    begin(factory, tray=60)
    factory.gateway.send(
        "L3/order/A-1", retain=True, order="A-1", recipe="door-unit", panels=50, state="running"
    )
    factory.gateway.send(
        "L3/order/A-2", retain=True, order="A-2", recipe="door-unit", panels=80, state="queued"
    )
    run(factory, 1, 51)
    assert factory.wait_told("opened", "early")["data"]["slot"] == "T2"


def test_a_finished_order_closes_the_notice_and_says_so(factory: Factory) -> None:
    begin(factory, tray=60)
    factory.gateway.send("L3/order", order="A-1", recipe="door-unit", panels=100, state="running")
    run(factory, 1, 51)
    factory.wait_told("opened", "early")
    factory.gateway.send("L3/order", order="A-1", recipe="door-unit", panels=100, state="finished")
    assert factory.wait_told("closed", "early")["data"]["closed_because"] == "order done"


def test_an_out_signal_is_told_as_empty_with_the_same_id(factory: Factory) -> None:
    begin(factory, tray=60)
    run(factory, 1, 58)
    first = factory.wait_told("opened", "early")["data"]
    lamps = {"red": "off", "yellow": "flashing", "green": "off"}
    factory.gateway.send("L3/P1/tower", lamps=lamps, buzzer="on", slots=["T2"])
    assert factory.wait_told("changed", "empty")["data"]["id"] == first["id"]
    assert factory.slot("L3", "T2")["state"] == "empty"
    (line,) = factory.get("/lines")
    assert line["stations"][0]["tower"]["reading"] == "out"


def test_a_person_takes_the_notice_and_a_second_one_is_told_who_was_first(factory: Factory) -> None:
    begin(factory, tray=60)
    run(factory, 1, 51)
    notice_id = factory.wait_told("opened", "early")["data"]["id"]
    taken = factory.api.post(f"/notices/{notice_id}/take", json={"by": "Resi"})
    assert (taken.status_code, taken.json()["taken_by"]) == (200, "Resi")
    again = factory.api.post(f"/notices/{notice_id}/take", json={"by": "Resi"})
    assert again.status_code == 200
    second = factory.api.post(f"/notices/{notice_id}/take", json={"by": "Lois"})
    assert (second.status_code, second.json()["taken_by"]) == (409, "Resi")
    assert factory.api.post("/notices/nosuch/take", json={"by": "Lois"}).status_code == 404
    assert factory.api.post(f"/notices/{notice_id}/take", json={}).status_code == 422


def test_one_tap_is_a_supply_message_and_its_key_makes_a_repeat_harmless(factory: Factory) -> None:
    begin(factory, tray=60)
    run(factory, 1, 51)
    factory.wait_told("opened", "early")
    tap: dict[str, Any] = {"change": "loaded", "quantity": 60, "by": "Resi"}
    path = "/lines/L3/stations/P1/slots/T2/supply"
    first = factory.api.post(path, json=tap, headers={"Idempotency-Key": "tap-1"})
    assert (first.status_code, first.json()["remaining"]["book"]) == (200, 60)
    assert first.json()["kind"] == "tray"
    run(factory, 52, 53)
    again = factory.api.post(path, json=tap, headers={"Idempotency-Key": "tap-1"})
    assert (again.status_code, again.json()["remaining"]["book"]) == (200, 58)
    assert factory.wait_told("closed", "early")["data"]["closed_by"] == "Resi"


@pytest.mark.parametrize(
    ("body", "where"),
    [
        (b"not json", ""),
        (b'{"change": "eaten"}', "change"),
        (b'{"change": "loaded", "quantity": -1}', "quantity"),
    ],
)
def test_a_supply_that_does_not_fit_is_answered_with_what_and_where(
    factory: Factory, body: bytes, where: str
) -> None:
    answer = factory.api.post("/lines/L3/stations/P1/slots/T2/supply", content=body)
    assert answer.status_code == 422
    assert where in json.dumps(answer.json())
