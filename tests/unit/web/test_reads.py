"""The calls that only look: shapes, paging, and what is said when something can't be had."""

from __future__ import annotations

import json
from typing import Any

import pytest

from service.domain.model import to_rfc3339
from service.domain.policy import Person, Policy, Route
from service.ports import StoreError
from service.web import recorded, schemas
from service.web.lines import LineView
from service.web.plan import PlanView
from tests.support.floor import START, Floor, Place
from tests.support.past import remembered

SLOT = "lines/L3/stations/P1/slots/F07"


@pytest.fixture
def get(client: Any) -> Any:
    def call(path: str, expect: int = 200, **options: Any) -> Any:
        answer = client.get(path, **options)
        assert answer.status_code == expect, answer.text
        return answer

    return call


def test_the_process_lives(get: Any) -> None:
    assert get("/healthz").json() == {"alive": True}


def test_it_is_ready_when_nothing_speaks_against_it(get: Any) -> None:
    assert get("/readyz").json() == {"ready": True, "reasons": []}


def test_it_says_why_it_is_not_ready(get: Any, floor: Floor) -> None:
    floor.ails = ["the broker refused floor/#"]
    assert get("/readyz", 503).json() == {"ready": False, "reasons": ["the broker refused floor/#"]}


def test_a_process_that_is_not_ready_still_lives(get: Any, floor: Floor) -> None:
    floor.ails = ["standby"]
    floor.broken = StoreError("down")
    get("/healthz")


def test_metrics_are_prometheus_text(get: Any) -> None:
    answer = get("/metrics")
    assert answer.headers["content-type"].startswith("text/plain; version=")
    assert answer.content == b"earlybell_up 1\n"


def test_lines_have_the_documented_shape(get: Any) -> None:
    lines = get("/api/v1/lines").json()
    assert [line["line"] for line in lines] == ["L3"]
    for line in lines:
        LineView.model_validate(line, strict=True)


def test_slots_have_the_documented_shape_and_come_soonest_first(get: Any) -> None:
    slots = get("/api/v1/lines/L3/slots").json()
    for slot in slots:
        schemas.SlotForecast.model_validate(slot)
    known = [
        slot["panels_to_empty"]["p50"]
        for slot in slots
        if slot["panels_to_empty"] and slot["state"] != "idle"
    ]
    assert known == sorted(known)
    assert [slot["state"] for slot in slots[-3:]] == ["unknown", "unknown", "idle"]


def test_an_unknown_number_is_null_and_never_zero(get: Any) -> None:
    slot = next(slot for slot in get("/api/v1/lines/L3/slots").json() if slot["slot"] == "F33")
    assert slot["remaining"] is slot["panels_to_empty"] is slot["usage_per_panel"] is slot["chance"] is None


def test_one_slot_says_why_its_number_is_what_it_is(get: Any) -> None:
    slot = get("/api/v1/lines/L3/stations/P1/slots/F07").json()
    schemas.SlotDetail.model_validate(slot)
    listed = next(each for each in get("/api/v1/lines/L3/slots").json() if each["slot"] == "F07")
    assert slot.items() >= listed.items()
    assert len(slot["why"]["sentences"]) == 2


def test_reasons_that_are_not_known_are_null(get: Any) -> None:
    figures = get("/api/v1/lines/L3/stations/P2/slots/F33").json()["why"]["figures"]
    assert figures["declared"] is figures["counted_since"] is figures["usage_per_panel"] is None


@pytest.mark.parametrize(
    "place", ["L9/stations/P1/slots/F07", "L3/stations/P9/slots/F07", "L3/stations/P1/slots/T2"]
)
def test_a_slot_nobody_heard_of_is_not_found(get: Any, place: str) -> None:
    assert "was heard of" in get(f"/api/v1/lines/{place}", 404).json()["detail"]


def test_a_line_nobody_heard_of_is_not_found(get: Any) -> None:
    assert "L9" in get("/api/v1/lines/L9/slots", 404).json()["detail"]


def test_a_name_that_cannot_be_one_is_explained(get: Any) -> None:
    assert "letters" in get("/api/v1/lines/a%20b/slots", 422).json()["detail"]
    get(f"/api/v1/lines/{'x' * 65}/slots", 422)


def test_names_of_any_script_are_found_in_either_normal_form(client: Any, floor: Floor) -> None:
    floor.places.append(Place(line="Žár-1", station="P1", slot="F1", part="R", left=10))
    assert client.get("/api/v1/lines/Z\u030ca\u0301r-1/slots").json()[0]["line"] == "Žár-1"


def test_notices_without_a_state_are_all_that_are_not_closed(get: Any, floor: Floor) -> None:
    floor.close("n-L3-P1-F07", by="Mira", reason="order change")
    notices = get("/api/v1/notices").json()
    assert [notice["id"] for notice in notices] == ["n-L3-P2-T2"]
    schemas.NoticeView.model_validate(notices[0])


def test_the_state_of_notices_may_be_repeated(get: Any, floor: Floor) -> None:
    floor.close("n-L3-P1-F07", by="Mira", reason="order change")
    both = get("/api/v1/notices", params={"state": ["open", "closed"]}).json()
    assert {notice["state"] for notice in both} == {"open", "closed"}


@pytest.mark.parametrize(
    ("asked", "given"),
    [
        ("line=L3", {"n-L3-P1-F07", "n-L3-P2-T2", "q-L3-P2-T2"}),
        ("station=P2", {"n-L3-P2-T2", "q-L3-P2-T2"}),
        ("slot=F07", {"n-L3-P1-F07"}),
        ("line=L3&station=P2&slot=T2&state=closed", {"n-L3-P2-T2"}),
        ("line=L3&station=P2&slot=F07", set()),
        ("line=L4", {"n-L4-N1-F1"}),
    ],
)
def test_notices_may_be_asked_for_by_place(get: Any, floor: Floor, asked: str, given: set[str]) -> None:
    floor.ask("P2", "T2")
    floor.warn("N1", "F1", level="early", line="L4")
    if "closed" in asked:
        floor.close("n-L3-P2-T2", by="Mira", reason="done")
    assert {notice["id"] for notice in get(f"/api/v1/notices?{asked}").json()} == given


def test_a_place_is_paged_as_everything_is(get: Any, floor: Floor) -> None:
    """Its notices may lie more than a page of all notices apart."""
    for number in range(1100):
        floor.warn("P1", f"X{number}", level="early")
    floor.ask("P2", "T2")
    first = get("/api/v1/notices?station=P2&limit=1").json()
    rest = get(f"/api/v1/notices?station=P2&after={first[0]['id']}").json()
    assert [notice["id"] for notice in first + rest] == ["q-L3-P2-T2", "n-L3-P2-T2"]


def test_a_place_that_cannot_be_one_is_explained(get: Any) -> None:
    assert "slot" in get("/api/v1/notices?slot=a%20b", 422).json()["detail"]


def test_a_state_that_does_not_exist_is_explained(get: Any) -> None:
    assert "state" in get("/api/v1/notices?state=ringing", 422).json()["detail"]


@pytest.mark.parametrize(
    ("asked", "given"), [("", 100), ("limit=7", 7), ("limit=1000", 1000), ("limit=5000", 1000)]
)
def test_a_limit_is_a_hundred_unless_asked_and_is_cut_at_a_thousand(
    get: Any, floor: Floor, asked: str, given: int
) -> None:
    get(f"/api/v1/notices?{asked}")
    assert floor.asked[-1] == ("notices", None, given, None)


@pytest.mark.parametrize("limit", ["0", "-1", "many", "1.5"])
def test_a_limit_that_is_none_is_explained(get: Any, limit: str) -> None:
    assert "limit" in get(f"/api/v1/notices?limit={limit}", 422).json()["detail"]


def test_after_the_last_id_comes_the_next_page(get: Any) -> None:
    first = get("/api/v1/notices?limit=1").json()
    rest = get(f"/api/v1/notices?after={first[0]['id']}").json()
    assert len(first) == len(rest) == 1
    assert first[0]["id"] != rest[0]["id"]


def test_one_notice_is_found_in_any_state(get: Any, floor: Floor) -> None:
    floor.close("n-L3-P2-T2", by="Mira", reason="order change")
    assert get("/api/v1/notices/n-L3-P2-T2").json()["state"] == "closed"
    get("/api/v1/notices/none", 404)


def test_refused_messages_have_the_documented_shape_and_pages(get: Any) -> None:
    rows = get("/api/v1/refused?limit=2").json()
    for row in rows:
        schemas.RefusedView.model_validate(row, strict=True)
    assert [row["id"] for row in get(f"/api/v1/refused?after={rows[-1]['id']}").json()] == [3, 2, 1]


def test_the_record_and_what_was_learned_have_the_documented_shape(get: Any, floor: Floor) -> None:
    floor.records = remembered()
    shown = get("/api/v1/record").json()
    recorded.RecordView.model_validate(shown, strict=True)
    assert [each["kind"] for each in shown["kinds"]] == ["tape", "tray", None]
    learned = get("/api/v1/learned?limit=2").json()
    assert len(learned) == 2
    for each in learned:
        recorded.LearnedView.model_validate(each, strict=True)


def test_events_are_one_cloudevent_a_line(get: Any) -> None:
    answer = get("/api/v1/events")
    assert answer.headers["content-type"] == "application/x-ndjson"
    rows = [json.loads(line) for line in answer.text.splitlines()]
    assert [row["specversion"] for row in rows] == ["1.0"] * 3
    assert rows[0]["type"] == "earlybell.state"


@pytest.mark.parametrize(
    "moment", ["2026-03-02T07:14:07%2B01:00", "2026-03-02T07:14:07+01:00", "2026-03-02T06:14:07Z"]
)
def test_events_are_asked_for_between_two_moments_with_an_offset(get: Any, floor: Floor, moment: str) -> None:
    get(f"/api/v1/events?from={moment}&to={to_rfc3339(START)}")
    assert floor.asked[-1] == ("events", START, START, False)


def test_events_may_be_sealed(get: Any, floor: Floor) -> None:
    get("/api/v1/events?sealed=true")
    assert floor.asked[-1] == ("events", None, None, True)


@pytest.mark.parametrize(
    "moment", ["yesterday", "2026-03-02", "2026-03-02T06:14:07", "1700000000", "2026-02-30T00:00:00Z"]
)
def test_a_moment_without_an_offset_is_explained(get: Any, moment: str) -> None:
    detail = get(f"/api/v1/events?from={moment}", 422).json()["detail"]
    assert "RFC 3339" in detail


@pytest.mark.parametrize(
    "path", ["lines", "lines/L3/slots", SLOT, "notices", "notices?slot=T2", "notices/x", "refused", "events"]
)
def test_a_store_that_is_down_is_503_with_a_time_to_wait(get: Any, floor: Floor, path: str) -> None:
    floor.broken = StoreError("locked")
    answer = get(f"/api/v1/{path}", 503)
    assert answer.headers["retry-after"] == "2"
    assert "store" in answer.json()["detail"]


@pytest.mark.parametrize("path", ["lines", "lines/L3/slots", SLOT, "notices", "refused", "events", "nowhere"])
def test_looking_never_changes_anything(client: Any, floor: Floor, path: str) -> None:
    before = dict(floor.notes), [place.as_json() for place in floor.places]
    client.get(f"/api/v1/{path}")
    assert (dict(floor.notes), [place.as_json() for place in floor.places]) == before


def test_a_defect_is_a_500_that_tells_nothing_of_the_inside(get: Any, floor: Floor) -> None:
    floor.broken = RuntimeError("secret inside")
    answer = get("/api/v1/lines", 500)
    assert "secret" not in answer.text
    assert "content-security-policy" in answer.headers


def test_who_would_hear_is_told_in_the_order_in_which_they_would(get: Any, floor: Floor) -> None:
    floor.policy = Policy(
        outlets=["chat", "mail"],
        people=(Person(name="Ines", outlets=["chat"]), Person(name="Bert", outlets=["mail"])),
        routes=[Route(people=["Ines"], kind="tape", escalate_to=["Bert"], escalate_minutes=4.0)],
    )
    answer = get("/api/v1/who?line=L3&kind=tape&at=2026-03-01T03:00:00%2B01:00").json()
    assert answer == {
        "at": "2026-03-01T02:00:00.000Z",
        "rounds": [
            {
                "after_minutes": None,
                "after_panels": None,
                "people": [{"person": "Ines", "outlet": "chat"}],
                "outlets": ["chat"],
            },
            {
                "after_minutes": 4.0,
                "after_panels": None,
                "people": [{"person": "Bert", "outlet": "mail"}],
                "outlets": ["mail"],
            },
        ],
        "routes": [1],
        "off": [],
        "remind_minutes": None,
        "remind_panels": None,
    }
    assert get("/api/v1/who?line=L3&kind=tray").json()["rounds"][0]["outlets"] == []
    assert "line" in get("/api/v1/who", 422).text


def test_a_plan_names_each_stop_and_what_is_exchanged_in_it(get: Any) -> None:
    answer = PlanView.model_validate(get("/api/v1/lines/L3/plan?panels=5").json())
    assert answer.panels == 5
    assert all(stop.panels <= 5 and stop.exchanges for stop in answer.stops)
    assert "no line 'L9'" in get("/api/v1/lines/L9/plan", 404).json()["detail"]
    assert "panels" in get("/api/v1/lines/L3/plan?panels=0", 422).text
