"""When shifts and weeks are told of on the clocks of real places, also where those are changed.

Europe/Vienna goes from 02:00 to 03:00 on 2026-03-29 and from 03:00 to 02:00 on 2026-10-25, America/New_York
on 2026-03-08 and 2026-11-01 (IANA time zone database, by way of ``zoneinfo``)."""

from __future__ import annotations

import itertools
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from service.domain.model import from_datetime, to_datetime
from service.domain.policy import DAYS, Policy, Shift
from service.domain.turns import Turn, before, chosen, turns, week_before, weeks

HOUR = 3600 * 1_000_000
MINUTE = HOUR // 60
VIENNA, NEW_YORK = "Europe/Vienna", "America/New_York"


def local(text: str, zone: str = VIENNA) -> int:
    return from_datetime(datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone)))


def said(at: int, zone: str = VIENNA) -> str:
    return f"{to_datetime(at).astimezone(ZoneInfo(zone)):%m-%d %H:%M %z}"


def policy(*shifts: Shift, zone: str = VIENNA, closed: tuple[str, ...] = ()) -> Policy:
    return Policy(timezone=zone, shifts=shifts, closed=closed)


def ends(rules: Policy, since: str, until: str) -> list[tuple[str, str, float]]:
    """Begin, end and hours of each shift that ends in the time."""
    zone = rules.timezone
    found = turns(rules, ["L3"], local(since, zone), local(until, zone))
    return [
        (said(each.since, zone), said(each.until, zone), (each.until - each.since) / HOUR) for each in found
    ]


NIGHT = Shift(start="22:00", end="06:00")


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        (VIENNA, "2026-03-28", 7),
        (VIENNA, "2026-10-24", 9),
        (NEW_YORK, "2026-03-07", 7),
        (NEW_YORK, "2026-10-31", 9),
        (NEW_YORK, "2026-06-01", 8),
    ],
)
def test_a_night_over_a_changed_hour_ends_once_an_hour_earlier_or_later(
    zone: str, day: str, hours: int
) -> None:
    next_day = (datetime.fromisoformat(day) + timedelta(days=1)).date().isoformat()
    found = ends(policy(NIGHT, zone=zone), f"{day}T12:00", f"{next_day}T12:00")
    assert [(end[6:11], length) for _, end, length in found] == [("06:00", hours)]


def test_what_begins_in_the_hour_that_is_left_out_begins_with_the_next() -> None:
    short = policy(Shift(start="22:00", end="02:30"), Shift(start="02:30", end="06:00"))
    assert ends(short, "2026-03-28T12:00", "2026-03-29T12:00") == [
        ("03-28 22:00 +0100", "03-29 03:00 +0200", 4),
        ("03-29 03:00 +0200", "03-29 06:00 +0200", 3),
    ]


def test_what_ends_in_the_hour_that_comes_twice_ends_once() -> None:
    short = policy(Shift(start="22:00", end="02:30"), Shift(start="02:30", end="06:00"))
    assert ends(short, "2026-10-24T12:00", "2026-10-25T12:00") == [
        ("10-24 22:00 +0200", "10-25 02:30 +0200", 4.5),
        ("10-25 02:30 +0200", "10-25 06:00 +0100", 4.5),
    ]


@pytest.mark.parametrize(("zone", "hours"), [(VIENNA, 23), (NEW_YORK, 23)])
def test_a_shift_of_a_whole_day_is_that_day(zone: str, hours: int) -> None:
    day = "2026-03-29" if zone == VIENNA else "2026-03-08"
    later = (datetime.fromisoformat(day) + timedelta(days=1)).date().isoformat()
    found = ends(policy(Shift(start="00:00", end="00:00"), zone=zone), f"{day}T00:00", f"{later}T00:00")
    assert [length for *_, length in found] == [hours]


@pytest.mark.parametrize("zone", [VIENNA, NEW_YORK, "Asia/Kathmandu", "Australia/Lord_Howe"])
def test_looked_for_minute_by_minute_each_shift_of_a_year_ends_once(zone: str) -> None:
    rules = policy(
        *(Shift(start=a, end=b) for a, b in [("06:00", "14:15"), ("14:15", "02:30"), ("02:30", "06:00")]),
        zone=zone,
    )
    begin, end = local("2026-01-01T00:00", zone), local("2027-01-01T00:00", zone)
    whole = [(each.since, each.until) for each in turns(rules, ["L3"], begin, end)]
    pieces = [
        (each.since, each.until)
        for at in range(begin, end, 37 * 60 * MINUTE)
        for each in turns(rules, ["L3"], at, min(at + 37 * 60 * MINUTE, end))
    ]
    assert pieces == whole
    assert len(whole) == 3 * 365
    assert all(one[1] == other[0] for one, other in itertools.pairwise(whole))


def test_lines_whose_shifts_begin_and_end_together_have_one_turn() -> None:
    rules = policy(
        Shift(start="06:00", end="14:00", line="L[12]"),
        Shift(start="06:00", end="14:00", line="L3"),
        Shift(start="05:00", end="14:00", line="L4"),
    )
    found = turns(rules, ["L3", "L1", "L4", "X"], local("2026-03-02T06:00"), local("2026-03-02T14:00"))
    assert [each.lines for each in found] == [("L4",), ("L1", "L3")]


def test_a_shift_is_compared_with_the_last_five_of_the_same_times() -> None:
    early = Shift(start="06:00", end="14:00", days=DAYS[:5])
    rules = policy(early, Shift(start="14:00", end="22:00"), closed=("2026-03-26",))
    (turn,) = turns(rules, ["L3"], local("2026-03-31T13:00"), local("2026-03-31T14:00"))
    assert [said(since) for since, _ in before(rules, turn)] == [
        "03-30 06:00 +0200",
        "03-27 06:00 +0100",
        "03-25 06:00 +0100",
        "03-24 06:00 +0100",
        "03-23 06:00 +0100",
    ]
    assert isinstance(turn, Turn)


@pytest.mark.parametrize(
    ("zone", "monday", "hours"),
    [
        (VIENNA, "2026-03-30", 167),
        (VIENNA, "2026-10-26", 169),
        (NEW_YORK, "2026-03-09", 167),
        (NEW_YORK, "2026-11-02", 169),
    ],
)
def test_a_week_lasts_from_midnight_to_midnight_on_the_clocks_there(
    zone: str, monday: str, hours: int
) -> None:
    there = ZoneInfo(zone)
    due = local(f"{monday}T07:00", zone)
    (week,) = weeks(there, "mon", "07:00", due - 1, due)
    assert (week.due, week.until, (week.until - week.since) / HOUR) == (
        due,
        local(f"{monday}T00:00", zone),
        hours,
    )
    earlier = week_before(there, week)
    assert ((earlier[1] - earlier[0]) / HOUR, earlier[1]) == (168, week.since)
    assert weeks(there, "mon", "07:00", due, due + 6 * 24 * HOUR) == []


def test_a_week_told_of_in_a_changed_hour_is_told_of_once() -> None:
    vienna = ZoneInfo(VIENNA)
    for day, when in (("2026-03-29", "03-29 03:00 +0200"), ("2026-10-25", "10-25 02:30 +0200")):
        midnight = local(f"{day}T00:00")
        assert [said(each.due) for each in weeks(vienna, "sun", "02:30", midnight, midnight + 25 * HOUR)] == [
            when
        ]


def test_a_group_of_lines_is_named_by_patterns() -> None:
    assert chosen(["L3", "L10", "X1", "L1"], ["L?", "X*"]) == ["L1", "L3", "X1"]
