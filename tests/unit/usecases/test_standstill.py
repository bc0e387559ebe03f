"""Why a line stood at a moment: whose stop it was, who waited for it, what the warning was worth; and which
moment people mean."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from service.domain.model import from_datetime, to_rfc3339
from service.usecases.standstill import around, moment_asked, standstill
from tests.support.stood import REPORT, local, moment, piece

VIENNA = ZoneInfo("Europe/Vienna")
MINUTE = 60_000_000


NOW = local("2026-02-27T14:05:30")


@pytest.mark.parametrize(
    ("text", "when"),
    [
        ("10:42", "2026-02-27T10:42"),
        ("9:05", "2026-02-27T09:05"),
        ("10:42:30", "2026-02-27T10:42:30"),
        ("14:05", "2026-02-27T14:05"),
        ("14:06", "2026-02-26T14:06"),
        ("2026-02-25T10:42", "2026-02-25T10:42"),
        ("2026-02-25T09:42:00Z", "2026-02-25T10:42"),
        ("2026-02-25T10:42:00 01:00", "2026-02-25T10:42"),
    ],
)
def test_a_clock_time_is_the_last_such_moment_at_the_plant(text: str, when: str) -> None:
    assert moment_asked(text, VIENNA, NOW) == local(when)


def test_of_a_time_that_came_twice_the_later_one_is_meant_once_it_was() -> None:
    """Europe/Vienna, 2026-10-25: 02:30 at 00:30 and at 01:30 UTC."""
    for now, found in (("06:00", "01:30"), ("01:00", "00:30")):
        at = from_datetime(datetime.fromisoformat(f"2026-10-25T{now}:00+00:00"))
        assert to_rfc3339(moment_asked("02:30", VIENNA, at)) == f"2026-10-25T{found}:00.000Z"


def test_a_time_that_the_clocks_leapt_over_was_last_shown_the_day_before() -> None:
    assert moment_asked("02:30", VIENNA, local("2026-03-29T12:00")) == local("2026-03-28T02:30")


@pytest.mark.parametrize(
    "text",
    ["", "25:00", "10:60", "noon", "2026-13-01T10:00", "0001-01-01T00:00", "9999-12-31T23:59:59-12:00"],
)
def test_what_is_no_moment_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="at: "):
        moment_asked(text, VIENNA, NOW)


def test_a_moment_ahead_is_refused() -> None:
    with pytest.raises(ValueError, match="lies ahead"):
        moment_asked("2026-02-27T14:06", VIENNA, NOW)


def test_what_is_reviewed_holds_the_moment_and_never_reaches_ahead() -> None:
    for at in (NOW, NOW - 1, NOW - 5 * MINUTE, NOW - 500 * MINUTE):
        since, until = around(at, NOW)
        assert since <= at - 60 * MINUTE
        assert at < until <= max(NOW, at + 1)
    assert around(NOW - 500 * MINUTE, NOW) == around(NOW - 501 * MINUTE, NOW)


def at(clock: str) -> dict[str, Any]:
    return standstill(REPORT, "L3", local(f"2026-02-27T{clock}"))


def test_the_stop_that_began_it_is_named_with_who_waited_and_the_last_warning() -> None:
    found = at("10:43:10")
    assert (found["stood"], found["cause"]) == (True, "supply")
    assert (found["since"], found["until"], found["goes_on"]) == (moment("10:42"), moment("10:47"), False)
    assert (found["began"]["station"], found["began"]["slot"]) == ("P1", "F07")
    assert [each["station"] for each in found["held"]] == ["P0", "P2"]
    assert found["warning"]["opened"] == moment("10:31")
    assert found["before"]["cause"] == "fault"
    assert found["after"] is None
    assert found["road"]["moment"]["at"] == moment("10:39"), "as it was before it stood"
    assert [(each["station"], each["cause"]) for each in found["stations"]] == [
        ("P0", "held"),
        ("P1", "supply"),
        ("P2", "starved"),
    ]


def test_where_the_last_station_still_waits_for_a_stop_that_is_over_that_stop_is_named() -> None:
    found = at("10:46:30")
    assert found["began"]["until"] == moment("10:46")
    assert [each["station"] for each in found["held"]] == ["P2"]


def test_a_minute_in_which_it_stood_is_a_minute_in_which_it_stood() -> None:
    report = REPORT | {
        "lines": [
            REPORT["lines"][0]
            | {
                "whole": [
                    piece("09:40", "10:42:20"),
                    piece("10:42:20", "10:42:50", "supply", slot="F07"),
                    piece("10:42:50", "11:20"),
                ]
            }
        ]
    }
    found = standstill(report, "L3", local("2026-02-27T10:42"))
    assert (found["asked"], found["at"], found["stood"]) == (moment("10:42"), moment("10:42:20"), True)
    exact = standstill(report, "L3", local("2026-02-27T10:42:05"))
    assert (exact["at"], exact["stood"]) == (moment("10:42:05"), False)


def test_where_the_line_worked_it_says_so_with_the_stops_before_and_after() -> None:
    found = at("10:30")
    assert (found["stood"], found["began"], found["alone"]) == (False, None, [])
    assert found["before"]["since"] == moment("10:20")
    assert found["after"]["since"] == moment("10:40")


def test_a_station_that_stood_while_the_line_worked_is_named_alone() -> None:
    found = at("10:20")
    assert found["stood"] is False
    assert [(each["station"], each["cause"]) for each in found["alone"]] == [("P1", "fault")]


def test_what_still_goes_on_when_the_report_ends_goes_on() -> None:
    report = REPORT | {"to": moment("10:44")}
    line = REPORT["lines"][0]
    report["lines"] = [
        line | {"whole": [piece("09:40", "10:42"), piece("10:42", "10:44", "supply", slot="F07")]}
    ]
    assert standstill(report, "L3", local("2026-02-27T10:43:10"))["goes_on"] is True


def test_a_line_of_which_nothing_was_heard_is_not_known() -> None:
    with pytest.raises(KeyError):
        standstill(REPORT, "L9", NOW)
