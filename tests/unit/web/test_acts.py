"""The calls that change something: statuses and bodies exactly as the contract has them."""

from __future__ import annotations

from typing import Any

import pytest

from service.desk import Busy, Unattended
from service.ports import StoreError
from service.web import schemas
from tests.support.floor import Floor

SUPPLY = "/api/v1/lines/L3/stations/P2/slots/T2/supply"
NOTICE = "/api/v1/notices/n-L3-P2-T2"


def test_one_tap_says_that_a_new_supply_is_loaded(client: Any, floor: Floor) -> None:
    answer = client.post(SUPPLY, json={"change": "loaded", "by": "badge 31"})
    assert answer.status_code == 200
    forecast = schemas.SlotForecast.model_validate(answer.json())
    assert forecast.slot == "T2"
    assert forecast.state == "ok"
    assert floor.notes["n-L3-P2-T2"].closed_because == "refilled"


def test_a_slot_comes_into_being_when_it_is_first_heard_of(client: Any) -> None:
    path = "/api/v1/lines/L9/stations/N1/slots/%E5%8F%B31/supply"
    answer = client.post(path, json={"change": "loaded", "quantity": 12, "kind": "stick", "part": "X"})
    assert answer.status_code == 200
    assert answer.json()["slot"] == "右1"


def test_the_same_key_is_one_change(client: Any, floor: Floor) -> None:
    body = {"change": "joined", "quantity": 100}
    answers = [client.post(SUPPLY, json=body, headers={"Idempotency-Key": "k1"}) for _ in range(3)]
    assert [answer.json()["remaining"]["book"] for answer in answers] == [102, 102, 102]


def test_unknown_keys_are_ignored_and_the_optional_ones_may_be_null(client: Any) -> None:
    body = {"change": "loaded", "at": None, "id": None, "quantity": None, "mood": "good"}
    assert client.post(SUPPLY, json=body).status_code == 200


def test_any_content_type_will_do(client: Any) -> None:
    headers = {"content-type": "application/x-www-form-urlencoded"}
    assert client.post(SUPPLY, content=b'{"change": "loaded"}', headers=headers).status_code == 200


@pytest.mark.parametrize(
    ("body", "told"),
    [
        ({}, "change"),
        ({"change": "eaten"}, "change"),
        ({"change": "loaded", "quantity": "5"}, "quantity"),
        ({"change": "loaded", "quantity": 5.0}, "quantity"),
        ({"change": "loaded", "quantity": True}, "quantity"),
        ({"change": "loaded", "quantity": -1}, "quantity"),
        ({"change": "loaded", "quantity": 2**53}, "quantity"),
        ({"change": "loaded", "kind": "bucket"}, "kind"),
        ({"change": "loaded", "at": "2026-03-02T06:14:07"}, "at"),
        ({"change": "loaded", "slot": "F1"}, "slot"),
        ({"change": "counted"}, "quantity"),
        ([], "object"),
        (5, "object"),
    ],
)
def test_what_does_not_fit_is_422_and_names_it(client: Any, floor: Floor, body: Any, told: str) -> None:
    answer = client.post(SUPPLY, json=body)
    assert answer.status_code == 422, answer.text
    assert told in answer.json()["detail"]
    assert floor.heard == []


@pytest.mark.parametrize("body", [b"", b"{", b"\xff", b"[" * 60_000, b'{"change":"loaded","quantity":NaN}'])
def test_any_bytes_are_answered_with_what_is_wrong(client: Any, floor: Floor, body: bytes) -> None:
    answer = client.post(SUPPLY, content=body)
    assert answer.status_code == 422, answer.text
    assert answer.json()["detail"]
    assert floor.heard == []


def test_what_the_desk_finds_unfit_is_422_in_its_words(client: Any) -> None:
    path = "/api/v1/lines/L3/stations/P2/slots/F33/supply"
    answer = client.post(path, json={"change": "joined", "quantity": 5})
    assert answer.status_code == 422
    assert "F33" in answer.json()["detail"]


def test_a_body_over_64_kilobytes_is_413(client: Any, floor: Floor) -> None:
    answer = client.post(SUPPLY, content=b'{"change":"loaded","lot":"' + b"x" * 65_536 + b'"}')
    assert answer.status_code == 413
    assert "65536" in answer.json()["detail"]
    assert floor.heard == []


def test_a_name_in_the_path_that_cannot_be_one_is_422(client: Any) -> None:
    path = "/api/v1/lines/L3/stations/P%202/slots/T2/supply"
    assert client.post(path, json={"change": "loaded"}).status_code == 422


def test_what_takes_too_long_is_503_with_a_time_to_wait(client: Any, floor: Floor) -> None:
    floor.broken = Busy("5 s")
    answer = client.post(SUPPLY, json={"change": "loaded"})
    assert answer.status_code == 503
    assert answer.headers["retry-after"] == "2"
    assert "Idempotency-Key" in answer.json()["detail"]


def test_a_line_that_nobody_is_in_charge_of_is_503_and_said(client: Any, floor: Floor) -> None:
    floor.broken = Unattended()
    answer = client.post(SUPPLY, json={"change": "loaded"})
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "2")
    assert "nothing was changed" in answer.json()["detail"]


def test_a_store_that_is_down_is_503_with_a_time_to_wait(client: Any, floor: Floor) -> None:
    floor.broken = StoreError("down")
    answer = client.post(f"{NOTICE}/take", json={"by": "Mira"})
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "2")


def test_taking_answers_with_the_notice(client: Any) -> None:
    answer = client.post(f"{NOTICE}/take", json={"by": " Mira "})
    assert answer.status_code == 200
    notice = schemas.NoticeView.model_validate(answer.json())
    assert (notice.state, notice.taken_by) == ("taken", "Mira")


def test_taking_twice_by_the_same_person_is_200(client: Any) -> None:
    assert [client.post(f"{NOTICE}/take", json={"by": "Mira"}).status_code for _ in range(2)] == [200, 200]


def test_what_is_given_back_is_nobodys(client: Any) -> None:
    client.post(f"{NOTICE}/take", json={"by": "Mira"})
    answer = client.post(f"{NOTICE}/release", json={"by": "Tomas"})
    assert answer.status_code == 200
    notice = schemas.NoticeView.model_validate(answer.json())
    assert (notice.state, notice.taken_by) == ("open", None)


def test_when_someone_was_first_the_answer_is_409_with_the_notice_as_it_is(client: Any) -> None:
    client.post(f"{NOTICE}/take", json={"by": "Mira"})
    answer = client.post(f"{NOTICE}/take", json={"by": "Tomas"})
    assert answer.status_code == 409
    assert schemas.NoticeView.model_validate(answer.json()).taken_by == "Mira"


@pytest.mark.parametrize(
    ("verb", "body"),
    [
        ("take", {"by": "A"}),
        ("release", {"by": "A"}),
        ("quiet", {"by": "A", "panels": 5}),
        ("close", {"by": "A", "reason": "x"}),
    ],
)
def test_a_closed_notice_is_409_and_an_unknown_one_404(
    client: Any, floor: Floor, verb: str, body: dict[str, object]
) -> None:
    floor.close("n-L3-P2-T2", by="Mira", reason="done")
    answer = client.post(f"{NOTICE}/{verb}", json=body)
    assert (answer.status_code, answer.json()["state"]) == (409, "closed")
    unknown = client.post(f"/api/v1/notices/nobody/{verb}", json=body)
    assert unknown.status_code == 404
    assert "nobody" in unknown.json()["detail"]


def test_quiet_is_for_panels_or_until_a_moment(client: Any) -> None:
    panels = client.post(f"{NOTICE}/quiet", json={"by": "Mira", "panels": 5}).json()
    assert (panels["state"], panels["quiet_panels"], panels["quiet_until"]) == ("quiet", 5, None)
    until = client.post(f"{NOTICE}/quiet", json={"by": "Mira", "until": "2026-03-02T08:30:00+01:00"}).json()
    assert (until["quiet_panels"], until["quiet_until"]) == (None, "2026-03-02T07:30:00.000Z")


def test_closing_hands_on_who_and_why(client: Any, floor: Floor) -> None:
    answer = client.post(f"{NOTICE}/close", json={"by": "Mira", "reason": "order change"})
    assert (answer.json()["state"], answer.json()["closed_because"]) == ("closed", "person")
    assert floor.asked[-1] == ("close", "n-L3-P2-T2", "Mira", "order change")


@pytest.mark.parametrize(
    ("verb", "body", "told"),
    [
        ("take", {}, "by"),
        ("take", {"by": ""}, "by"),
        ("take", {"by": "   "}, "by"),
        ("take", {"by": 31}, "by"),
        ("quiet", {"by": "A"}, "panels"),
        ("quiet", {"by": "A", "panels": 0}, "panels"),
        ("quiet", {"by": "A", "panels": "5"}, "panels"),
        ("quiet", {"by": "A", "panels": 5, "until": "2026-03-02T08:30:00Z"}, "either"),
        ("quiet", {"by": "A", "until": "2026-03-02T08:30:00"}, "until"),
        ("quiet", {"by": "A", "until": 1_800_000_000}, "until"),
        ("close", {"by": "A"}, "reason"),
        ("close", {"by": "A", "reason": " "}, "reason"),
    ],
)
def test_what_a_person_asks_must_be_whole(
    client: Any, floor: Floor, verb: str, body: dict[str, object], told: str
) -> None:
    answer = client.post(f"{NOTICE}/{verb}", json=body)
    assert answer.status_code == 422, answer.text
    assert told in answer.json()["detail"]
    assert floor.notes["n-L3-P2-T2"].state == "open"


@pytest.mark.parametrize("path", [SUPPLY, f"{NOTICE}/take", f"{NOTICE}/quiet", f"{NOTICE}/close"])
def test_a_link_never_acts(client: Any, floor: Floor, path: str) -> None:
    assert client.get(path).status_code == 405
    assert client.head(path).status_code == 405
    assert floor.notes["n-L3-P2-T2"].version == 1
