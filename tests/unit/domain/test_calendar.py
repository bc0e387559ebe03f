"""When a line works: shifts, breaks and closed days, against worked days and a walk minute by minute."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.calendar import hours_of, is_at_work, timed, walk, worked
from service.domain.model import SECOND, from_datetime, to_datetime
from service.domain.policy import Policy, Shift

MINUTE = 60 * SECOND
HOUR = 60 * MINUTE
BERLIN = ZoneInfo("Europe/Berlin")
EARLY = Shift(start="06:00", end="14:00", breaks=("09:00-09:15", "11:30-12:00"))
NIGHT = Shift(start="22:00", end="06:00")


def at(text: str) -> int:
    return from_datetime(datetime.fromisoformat(text).replace(tzinfo=BERLIN))


def hours(*shifts: Shift, closed: tuple[str, ...] = ()):
    return hours_of(Policy(timezone="Europe/Berlin", shifts=shifts, closed=closed), "L3")


def local(moment: int | None) -> str:
    assert moment is not None
    return to_datetime(moment).astimezone(BERLIN).strftime("%Y-%m-%d %H:%M:%S")


def test_a_line_that_no_shift_names_always_works():
    assert hours() is None
    assert hours(Shift(line="L1", start="06:00", end="14:00")) is None
    assert walk(None, 5, 7) == 12
    assert worked(None, 5, 12) == 7


def test_breaks_are_not_worked():
    early = hours(EARLY)
    assert worked(early, at("2026-03-02 06:00"), at("2026-03-02 14:00")) == 7 * HOUR + 15 * MINUTE
    assert local(walk(early, at("2026-03-02 08:50"), 20 * MINUTE)) == "2026-03-02 09:25:00"


def test_after_the_last_shift_of_the_week_comes_the_first_of_the_next():
    week = hours(Shift(days=("mon", "tue", "wed", "thu", "fri"), start="06:00", end="14:00"))
    assert local(walk(week, at("2026-03-06 13:30"), HOUR)) == "2026-03-09 06:30:00"


def test_a_closed_day_takes_its_shifts_along_the_night_one_too():
    both = hours(EARLY, NIGHT, closed=("2026-05-01", "2026-12-24/2027-01-06"))
    assert local(walk(both, at("2026-04-30 21:00"), 8 * HOUR + 1)) == "2026-05-02 06:00:00"
    assert local(walk(both, at("2026-12-23 22:00"), 8 * HOUR + 1)) == "2027-01-07 06:00:00"


@pytest.mark.parametrize(
    ("day", "length"), [("2026-03-28", 7), ("2026-10-24", 9), ("2026-03-27", 8)]
)  # fmt: skip
def test_a_night_over_the_changed_hour_is_an_hour_shorter_or_longer(day, length):
    """Clocks in the European Union change on 29 March and 25 October 2026 (Directive 2000/84/EC: the last
    Sundays of March and October, 01:00 UTC)."""
    night = hours(NIGHT)
    begin = at(f"{day} 22:00")
    end = at(f"{date.fromisoformat(day) + timedelta(days=1)} 06:00")
    assert worked(night, begin, end) == length * HOUR
    assert walk(night, begin, length * HOUR) == end


def test_where_no_work_is_planned_for_a_year_there_is_no_moment():
    never = hours(Shift(days=("mon",), start="06:00", end="14:00"), closed=("2026-01-01/2030-01-01",))
    assert walk(never, at("2026-03-02 06:00"), HOUR) is None


def test_what_was_done_wholly_within_a_break_shows_that_none_was_taken():
    early = hours(EARLY)
    assert timed(early, at("2026-03-02 09:01"), at("2026-03-02 09:02")) == MINUTE
    assert timed(early, at("2026-03-02 08:59"), at("2026-03-02 09:16")) == 2 * MINUTE
    assert timed(early, at("2026-03-02 08:59"), at("2026-03-02 09:05")) is None


WALL = st.integers(0, 287).map(lambda step: f"{step // 12:02}:{step % 12 * 5:02}")


@st.composite
def shifts(draw):
    start, end = draw(WALL), draw(WALL)
    days = tuple(
        sorted(draw(st.sets(st.sampled_from(("mon", "tue", "wed", "thu", "fri", "sat", "sun")), min_size=1)))
    )
    return Shift(days=days, start=start, end=end)


@settings(max_examples=40, deadline=None)
@given(
    plan=st.lists(shifts(), min_size=1, max_size=3),
    begin=st.integers(0, 4 * 1440),
    length=st.integers(0, 3 * 1440),
    month=st.sampled_from(["2026-03-27", "2026-10-23", "2026-06-01"]),
)
def test_the_work_between_two_moments_is_what_a_walk_minute_by_minute_counts(plan, begin, length, month):
    """Independent of ours: each minute asks its own local time whether a shift covers it. The hour that is
    put forward and the one that comes twice are left to the worked nights."""
    week = hours(*plan)
    first = at(f"{month} 00:00") + begin * MINUTE
    minutes = [first + number * MINUTE for number in range(length)]
    changed = [to_datetime(minute).astimezone(BERLIN) for minute in minutes]
    if any(each.hour in {1, 2, 3} and each.day in {25, 29} for each in changed):
        return
    if any(shift.start[:2] in {"02", "01", "03"} or shift.end[:2] in {"02", "01", "03"} for shift in plan):
        return
    covered = sum(any(_covers(shift, each) for shift in plan) for each in changed)
    assert worked(week, first, first + length * MINUTE) == covered * MINUTE
    if covered:
        end = walk(week, first, covered * MINUTE)
        assert end is not None
        assert worked(week, first, end) == covered * MINUTE
        assert is_at_work(week, end - 1)


def _covers(shift: Shift, moment: datetime) -> bool:
    """A shift covers a local minute when it began that day and isn't over, or the day before and goes on."""
    now = f"{moment:%H:%M}"
    today, yesterday = f"{moment:%a}".lower(), f"{moment - timedelta(days=1):%a}".lower()
    over_night = shift.end <= shift.start
    if over_night:
        return (today in shift.days and now >= shift.start) or (yesterday in shift.days and now < shift.end)
    return today in shift.days and shift.start <= now < shift.end
