"""What goes into a handover, and in which order."""

from __future__ import annotations

from typing import Any

import pytest

from service.domain.model import SECOND, from_datetime, to_datetime, to_rfc3339
from service.usecases.handover import HOUR, Turn, assemble, bring, happened, soon, turn_of

AT = from_datetime(to_datetime(1_772_431_200 * SECOND))  # 2026-03-02T06:00:00Z


def in_minutes(*minutes: float) -> dict[str, str]:
    moments = [to_rfc3339(AT + round(each * 60 * SECOND)) for each in minutes]
    return dict(zip(("p05", "p50", "p95"), moments, strict=True))


def slot(name: str, *minutes: float, **more: Any) -> dict[str, Any]:
    return {
        "line": "L3",
        "station": "P1",
        "slot": name,
        "part": "R-10K-0402",
        "kind": "tape",
        "state": "ok",
        "panels_to_empty": {"p05": 20, "p50": 30, "p95": 40} if minutes else None,
        "empty_at": in_minutes(*minutes) if minutes else None,
        "boundary_only": False,
        "notice": None,
        "order_panels_left": None,
    } | more


def notice(name: str, **more: Any) -> dict[str, Any]:
    return {
        "id": name,
        "kind": "supply",
        "line": "L3",
        "station": "P1",
        "slot": name,
        "level": "early",
        "state": "open",
        "empty_at": None,
        "closed_at": None,
        "closed_because": None,
    } | more


def names(slots: list[dict[str, Any]]) -> list[str]:
    return [each["slot"] for each in slots]


def test_due_is_what_may_run_empty_within_the_hour_soonest_first() -> None:
    far, near, perhaps = slot("F1", 61, 70, 80), slot("F2", 5, 9, 12), slot("F3", 55, 70, 90)
    found = soon([far, perhaps, near], until=AT + HOUR)
    assert [(each["slot"], each["likely"]) for each in found] == [("F2", True), ("F3", False)]


def test_what_is_empty_now_comes_first_even_without_numbers() -> None:
    found = soon([slot("F2", 5, 9, 12), slot("F1", state="empty")], until=AT + HOUR)
    assert names(found) == ["F1", "F2"]


@pytest.mark.parametrize(
    "quiet",
    [slot("F1"), slot("F1", 5, 9, 12, state="idle"), slot("F1", 5, 9, 12, order_panels_left=20)],
    ids=["unknown", "not used", "outlasts the order"],
)
def test_what_needs_nobody_is_not_due(quiet: dict[str, Any]) -> None:
    assert soon([quiet], until=AT + HOUR) == []


def test_what_to_bring_is_summed_by_part_and_an_unknown_part_is_nobody_elses() -> None:
    slots = [
        slot("F1", 5, 9, 12),
        slot("T1", 6, 9, 12, part="MCU-48Q", kind="tray"),
        slot("F2", 7, 9, 12),
        slot("F3", 8, 9, 12, part=None),
        slot("F4", 9, 9, 12, part=None),
    ]
    found = [(each["part"], each["kind"], each["supplies"], names(each["places"])) for each in bring(slots)]
    assert found == [
        ("R-10K-0402", "tape", 2, ["F1", "F2"]),
        ("MCU-48Q", "tray", 1, ["T1"]),
        (None, "tape", 1, ["F3"]),
        (None, "tape", 1, ["F4"]),
    ]


def test_how_warnings_ended_is_counted_and_those_that_came_to_nothing_are_named() -> None:
    closed = [
        notice("F1", closed_because="refilled", level="empty"),
        notice("F2", closed_because="refilled"),
        notice("F3", closed_because="order done"),
        notice("q", kind="question", closed_because="answered"),
    ]
    found = happened(closed)
    assert found["ended"] == {"refilled": 2, "order done": 1}
    assert names(found["reached_empty"]) == ["F1"]


def assembled(**given: Any) -> dict[str, Any]:
    asked: dict[str, Any] = {"line": None, "lines": [], "slots": [], "notices": [], "closed": []}
    turn = Turn(AT - HOUR, AT + 7 * HOUR)
    return assemble(**(asked | {"at": AT, "turn": turn, "hours": 1.0} | given))


def test_notices_stand_by_who_is_on_them_and_the_worst_first() -> None:
    found = assembled(
        notices=[
            notice("F1"),
            notice("F2", level="empty"),
            notice("F3", empty_at=in_minutes(1, 2, 3)),
            notice("F4", state="taken"),
            notice("F5", state="quiet"),
            notice("q", kind="question"),
            notice("s", kind="silent"),
        ]
    )
    assert names(found["open"]) == ["F2", "F3", "F1"]
    keys = ("taken", "quiet", "questions", "other")
    assert [names(found[key]) for key in keys] == [["F4"], ["F5"], ["q"], ["s"]]


def test_only_what_ended_in_the_time_that_is_handed_over_happened() -> None:
    before, within = (to_rfc3339(AT - minutes * 60 * SECOND) for minutes in (61, 59))
    closed = [
        notice("F1", closed_because="refilled", closed_at=before),
        notice("F2", closed_because="removed", closed_at=within),
    ]
    assert assembled(closed=closed)["happened"]["ended"] == {"removed": 1}


def test_stations_whose_numbers_must_be_doubted_are_named_and_no_others() -> None:
    def station(name: str, **more: Any) -> dict[str, Any]:
        well = {"link": {"state": "online", "since": "x"}, "uncertain_since": None, "clock_flagged": False}
        return {"station": name} | well | more

    lines = [
        {
            "line": "L3",
            "stations": [
                station("P1"),
                station("P2", link={"state": "offline", "since": "2026-03-02T05:00:00Z"}),
                station("P3", link=None, clock_flagged=True),
            ],
        }
    ]
    found = assembled(lines=lines)["stations"]
    assert [(each["station"], each["offline_since"], each["clock_flagged"]) for each in found] == [
        ("P2", "2026-03-02T05:00:00Z", False),
        ("P3", None, True),
    ]


def test_without_a_shift_the_last_eight_hours_are_handed_over() -> None:
    assert turn_of(None, AT) == Turn(AT - 8 * HOUR)
    assert turn_of((AT - HOUR, AT + HOUR), AT) == Turn(AT - HOUR, AT + HOUR)
