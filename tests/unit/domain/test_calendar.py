"""When a line works: shifts, breaks and closed days, against worked days and a walk minute by minute."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.calendar import hours_of, is_at_work, rests, timed, walk, worked
from service.domain.model import SECOND, from_datetime, to_datetime
from service.domain.policy import DAYS, Policy, Shift

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


def test_a_rest_begins_with_each_break_and_with_the_end_of_the_last_shift():
    shifts = hours(EARLY, Shift(start="14:00", end="22:00"))
    begun = rests(shifts, at("2026-03-02 09:00"), at("2026-03-03 09:00"))
    assert [local(each)[5:16] for each in begun] == ["03-02 11:30", "03-02 22:00", "03-03 09:00"]
    assert rests(None, at("2026-03-02 09:00"), at("2026-03-03 09:00")) == []


def test_work_that_goes_on_over_weeks_has_no_rest_in_between():
    always = hours(Shift(start="00:00", end="00:00"), closed=("2027-01-01",))
    begun = rests(always, at("2026-03-02 09:00"), at("2027-02-02 09:00"))
    assert [local(each)[:16] for each in begun] == ["2027-01-01 00:00"]


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


@pytest.mark.parametrize(
    ("day", "span", "minutes"),
    [
        # 02:00 CET becomes 03:00 CEST: the times between aren't shown, 03:00 comes where 02:00 would.
        ("2026-03-28", "02:15-02:45", 0),
        ("2026-03-28", "01:45-02:15", 15),
        ("2026-03-28", "02:45-03:15", 15),
        ("2026-03-28", "01:30-03:30", 60),
        # 03:00 CEST becomes 02:00 CET: the times between come twice, the first ones count.
        ("2026-10-24", "02:00-02:15", 15),
        ("2026-10-24", "02:45-03:15", 90),
        ("2026-10-24", "01:30-03:30", 180),
    ],
)
def test_a_break_over_the_changed_hour_lasts_from_when_the_clock_first_shows_it(day, span, minutes):
    """Worked by hand: clocks change at 01:00 UTC on both days (Directive 2000/84/EC)."""
    begin, end = at(f"{day} 22:00"), at(f"{date.fromisoformat(day) + timedelta(days=1)} 06:00")
    night = hours(Shift(start="22:00", end="06:00", breaks=(span,)))
    assert worked(hours(NIGHT), begin, end) - worked(night, begin, end) == minutes * MINUTE


@pytest.mark.parametrize(
    ("shift", "length", "over"),
    [
        (Shift(days=("sun",), start="02:30", end="06:00"), 180, "2026-03-29T04:00:00+00:00"),
        (Shift(days=("sat",), start="22:00", end="02:30"), 240, "2026-03-29T01:00:00+00:00"),
        (Shift(days=("sat",), start="22:00", end="02:30"), 270, "2026-10-25T00:30:00+00:00"),
        (Shift(days=("sun",), start="02:30", end="06:00"), 270, "2026-10-25T05:00:00+00:00"),
    ],
)
def test_a_shift_that_begins_or_ends_in_the_changed_hour_is_as_long_as_the_clocks_say(shift, length, over):
    """Worked by hand, as above."""
    end = from_datetime(datetime.fromisoformat(over))
    assert worked(hours(shift), end - 12 * HOUR, end + 12 * HOUR) == length * MINUTE
    assert walk(hours(shift), end - 12 * HOUR, length * MINUTE) == end


def test_a_line_that_is_seen_to_work_in_a_rest_works_through_that_one_alone():
    early, noon = hours(EARLY), at("2026-03-02 11:40")
    assert local(walk(early, noon, 10 * MINUTE, goes_on=True)) == "2026-03-02 11:50:00"
    assert local(walk(early, noon, 30 * MINUTE, goes_on=True)) == "2026-03-02 12:10:00"
    assert local(walk(early, noon, 140 * MINUTE + 1, goes_on=True)) == "2026-03-03 06:00:00"
    assert local(walk(early, noon, 10 * MINUTE)) == "2026-03-02 12:10:00"


def test_a_line_with_closed_days_alone_works_on_all_others():
    holidays = hours(closed=("2026-12-24/2027-01-06",))
    assert local(walk(holidays, at("2026-12-23 23:00"), 2 * HOUR)) == "2027-01-07 01:00:00"


WALL = st.integers(0, 95).map(lambda step: f"{step // 4:02}:{step % 4 * 15:02}")


@st.composite
def shifts(draw):
    breaks = draw(st.lists(st.tuples(WALL, WALL), max_size=2))
    return Shift(
        days=tuple(sorted(draw(st.sets(st.sampled_from(DAYS), min_size=1)))),
        start=draw(WALL),
        end=draw(WALL),
        breaks=tuple(f"{begin}-{end}" for begin, end in breaks),
    )


@settings(max_examples=40, deadline=None)
@given(
    plan=st.lists(shifts(), min_size=1, max_size=3),
    begin=st.integers(0, 4 * 1440),
    length=st.integers(0, 2 * 1440),
    month=st.sampled_from(["2026-03-27", "2026-10-23", "2026-06-01"]),
    closed=st.sampled_from([(), ("2026-03-28",), ("2026-10-25/2026-10-26",)]),
)
def test_the_work_between_two_moments_is_what_a_walk_minute_by_minute_counts(
    plan, begin, length, month, closed
):
    """Brute force: a clock ticks through every minute, and whatever is to begin or end at a wall time does so
    the first time that this time or a later one of the day is shown."""
    week = hours(*plan, closed=closed)
    first = at(f"{month} 00:00") + begin * MINUTE
    done = _worked_minutes(plan, closed, first, length)
    assert worked(week, first, first + length * MINUTE) == len(done) * MINUTE
    if done:
        assert walk(week, first, len(done) * MINUTE) == done[-1] + MINUTE
        assert is_at_work(week, done[-1])


def _worked_minutes(plan, closed, first, length):
    """The minutes worked among ``length`` from ``first`` on."""
    ticks = [first + number * MINUTE for number in range(-3 * 1440, length + 5 * 1440)]
    shown: dict[date, dict[str, int]] = {}
    for tick in ticks:
        wall = to_datetime(tick).astimezone(BERLIN)
        shown.setdefault(wall.date(), {}).setdefault(f"{wall:%H:%M}", tick)

    def when(day, wall):
        return min((tick for each, tick in shown[day].items() if each >= wall), default=None)

    def span(day, begin, end):
        later = day + timedelta(days=1) if end <= begin else day
        return range(when(day, begin), when(later, end), MINUTE)

    work: set[int] = set()
    for day in sorted(shown)[1:-3]:
        if any(_is_in(day, each) for each in closed):
            continue
        for shift in plan:
            if f"{day:%a}".lower() in shift.days:
                taken = set(span(day, shift.start, shift.end))
                for each in shift.breaks:
                    begin, end = each.split("-")
                    taken -= set(span(day + timedelta(days=begin < shift.start), begin, end))
                work |= taken
    return sorted(tick for tick in work if first <= tick < first + length * MINUTE)


def _is_in(day, span):
    first, _, last = span.partition("/")
    return first <= day.isoformat() <= (last or first)
