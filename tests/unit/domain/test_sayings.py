"""Messages that are no notices, and the day on the plant's clocks that the daily one goes by."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from service.domain.model import SECOND, NoticeState, from_datetime
from service.domain.said import Said
from service.domain.sayings import TEST, day_before, day_of, moment_on, saying

VIENNA = ZoneInfo("Europe/Vienna")
HOUR = 3600 * SECOND


def utc(text: str) -> int:
    return from_datetime(datetime.fromisoformat(text).replace(tzinfo=UTC))


# Directive 2000/84/EC: summer time begins and ends at 01:00 UTC on the last Sundays of March and October; in
# 2026 those are the 29th and the 25th.
@pytest.mark.parametrize(
    ("day", "wall", "moment"),
    [
        ("2026-03-28", "07:00", "2026-03-28T06:00"),
        ("2026-03-29", "07:00", "2026-03-29T05:00"),
        ("2026-03-29", "02:30", "2026-03-29T01:30"),  # that never comes: half an hour after the leap
        ("2026-10-25", "02:30", "2026-10-25T00:30"),  # the first of the two
        ("2026-10-25", "07:00", "2026-10-25T06:00"),
    ],
)
def test_a_wall_time_is_found_on_each_day_also_when_the_clocks_change(
    day: str, wall: str, moment: str
) -> None:
    assert moment_on(day, wall, VIENNA) == utc(moment)


@pytest.mark.parametrize(
    ("today", "hours"), [("2026-03-30T10:00", 23), ("2026-10-26T10:00", 25), ("2026-07-02T10:00", 24)]
)
def test_yesterday_has_as_many_hours_as_it_had(today: str, hours: int) -> None:
    begin, end = day_before(utc(today), VIENNA)
    assert end - begin == hours * HOUR


def test_the_day_is_that_of_the_plant() -> None:
    assert day_of(utc("2026-07-01T22:30"), VIENNA) == "2026-07-02"


def test_what_is_no_notice_needs_nobody() -> None:
    said = saying(TEST, "test-1", Said("Test from {site}.", {"site": "Werk Nord"}), 0, site="Werk Nord")
    assert (said.state, said.kind, said.line) == (NoticeState.CLOSED, "test", None)
    assert said.message == "Test from Werk Nord."
