"""The message budget against the alarm management standards, as far as we know their figures.

[F]: found on public pages that quote them; [M]: from memory.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.budget import (
    BENCHMARKS,
    DAY,
    HOUR,
    Announced,
    Life,
    Verdict,
    chattering,
    fleeting,
    levels,
    load_of,
    most_frequent,
    stale,
)
from service.domain.floods import MINUTE, TEN_MINUTES, Flood, chatters, floods, in_flood, peak
from service.domain.model import SECOND


def every(seconds: float, times: int, *, begin: int = 0) -> list[int]:
    return [begin + round(number * seconds * SECOND) for number in range(times)]


def counted(moments: list[int]) -> list[int]:
    """How many lie in each ten minutes of the clock."""
    counts = [0] * (moments[-1] // TEN_MINUTES + 1)
    for at in moments:
        counts[at // TEN_MINUTES] += 1
    return counts


# --- floods ------------------------------------------------------------------------------------------------
# ANSI/ISA-18.2 [F]: a flood begins when more than ten come in ten minutes and ends when ten minutes have
# fewer than five; whether these ten minutes are those of the clock or any, pages do not agree.


def test_eleven_in_ten_minutes_are_a_flood_wherever_the_clock_has_its_border():
    eleven = every(60, 11)
    assert in_flood(counted(eleven)) == [False, False], "the period of the clock holds ten"
    assert floods(eleven, 600 * SECOND) == [Flood(600 * SECOND, None)], "the last ten minutes hold eleven"


def test_a_flood_that_began_holds_on_until_a_period_has_fewer_than_five():
    assert in_flood([3, 11, 6, 5, 4]) == [False, True, True, True, False]


@pytest.mark.parametrize("counts", [[10, 10, 10], [0, 10, 4]])
def test_ten_begin_no_flood(counts: list[int]):
    assert not any(in_flood(counts))


def test_a_flood_ends_when_four_are_left_in_the_last_ten_minutes():
    burst = every(1, 11)
    assert floods(burst, HOUR) == [Flood(10 * SECOND, 6 * SECOND + TEN_MINUTES)]


def test_five_in_each_ten_minutes_keep_a_flood_going():
    going = [*every(1, 11), *every(120, 20, begin=2 * MINUTE)]
    [flood] = floods(going, going[-1])
    assert flood == Flood(10 * SECOND, None)


@given(st.lists(st.integers(0, 7200), max_size=120))
def test_floods_are_what_counting_each_second_finds(seconds: list[int]):
    moments = sorted(second * SECOND for second in seconds)
    now = 9000 * SECOND
    held, seen = False, []
    for second in range(9001):
        within = sum(second - 600 <= each <= second for each in seconds)
        held = within >= 5 if held else within > 10
        if held:
            seen.append(second)
    found = {
        second
        for flood in floods(moments, now)
        for second in range(flood.since // SECOND, (flood.until or now) // SECOND + 1)
    }
    assert found == set(seen)


@given(st.lists(st.integers(0, 3600), max_size=60), st.integers(1, 900))
def test_the_peak_is_the_most_that_any_interval_holds(seconds: list[int], within: int):
    moments = sorted(seconds)
    assert peak(moments, within) == max(
        (sum(each <= other <= each + within for other in seconds) for each in seconds), default=0
    )


# --- chattering, fleeting, stale ---------------------------------------------------------------------------


@pytest.mark.parametrize(("seconds", "expected"), [((0, 20, 40), True), ((0, 31, 62), False)])
def test_three_openings_within_a_minute_chatter(seconds: tuple[int, ...], expected: bool):
    """ANSI/ISA-18.2 [F]: three activations and more in a minute."""
    assert chatters([each * SECOND for each in seconds]) is expected


def word(source: str, second: float = 0.0, *, level: str = "early", opens: bool = True) -> Announced:
    return Announced(at=round(second * SECOND), source=source, level=level, opens=opens)


def test_only_openings_of_one_thing_chatter_together():
    words = [word("L1 P1 F01", each) for each in (0, 20)] + [word("L1 P1 F02", 40)]
    assert chattering(words) == []
    assert chattering([*words, word("L1 P1 F01", 50, opens=False)]) == []
    assert chattering([word("L1 P1 F01", 45), *words]) == ["L1 P1 F01"]


def life(source: str, since: float, until: float | None, *, by_itself: bool = True) -> Life:
    ends = None if until is None else round(until * SECOND)
    return Life(source=source, notice="n1", since=round(since * SECOND), until=ends, by_itself=by_itself)


def test_what_ends_by_itself_within_a_minute_is_fleeting_unless_it_chatters():
    """ANSI/ISA-18.2 [F]: short and not immediately repeating; how short is ours."""
    short, long = life("A", 0, 59), life("B", 0, 60)
    refilled, chatter = life("C", 0, 10, by_itself=False), life("D", 0, 10)
    assert fleeting([short, long, refilled, chatter], ["D"]) == [short]


def test_what_is_open_for_more_than_a_day_is_stale():
    """ANSI/ISA-18.2 [F]: continuously active for more than 24 hours."""
    now = 2 * DAY
    older, day, ended = life("A", 0, None), life("B", 86400, None), life("C", 0, 10)
    assert stale([day, ended, older], now) == [older]


# --- sums and words ----------------------------------------------------------------------------------------


def test_the_benchmarks_agree_with_one_another():
    """1 in ten minutes is 6 an hour [F] and 144 a day; 2 are 12 and 288 (IEC 62682 [M]; the 150 and 300 of
    ISA-18.2-2009 [F] are rounded). Priorities 80, 15 and 5 % [F]."""
    ten, hour, day = (BENCHMARKS[name] for name in ("per_ten_minutes", "per_hour", "per_day"))
    assert (ten.good * 6, ten.good * 144) == (hour.good, day.good)
    assert ten.most is not None
    assert (ten.most * 6, ten.most * 144) == (hour.most, day.most)
    assert sum(BENCHMARKS[level].good for level in ("early", "urgent", "empty")) == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("each_seconds", "verdict"),
    [
        (600, Verdict.ACCEPTABLE),  # 1 in ten minutes
        (590, Verdict.MANAGEABLE),
        (300, Verdict.MANAGEABLE),  # 2 in ten minutes
        (290, Verdict.TOO_MUCH),
    ],
)
def test_the_average_over_ten_minutes_says_whether_it_is_too_much(each_seconds: int, verdict: Verdict):
    """About 1 is very likely acceptable, about 2 the most that can be managed (ISA-18.2, IEC 62682) [F]."""
    day = 24 * 3600
    load = load_of(every(each_seconds, day // each_seconds), 0, DAY)
    assert load.verdict is verdict


def test_hours_in_which_nothing_was_heard_make_no_average_better():
    shift = every(600, 48)
    load = load_of(shift, 0, 7 * DAY)
    assert (load.per_hour, load.per_ten_minutes, load.per_day) == (6.0, 1.0, 48.0)
    assert load.hours == (6,) * 8 + (0,) * 160


def test_a_flood_is_never_called_acceptable():
    load = load_of([*every(5, 11), *every(1200, 20, begin=HOUR)], 0, DAY)
    assert load.per_ten_minutes is not None
    assert load.per_ten_minutes < 1.0
    assert load.verdict is Verdict.MANAGEABLE
    [flood] = load.floods
    assert flood.since == 50 * SECOND
    assert load.peak_ten_minutes == 11
    assert load.crowded_ten_minutes == pytest.approx(1 / 48)


def test_who_was_sent_nothing_has_no_averages():
    load = load_of([], 0, DAY)
    assert (load.messages, load.per_hour, load.flood_share) == (0, None, None)
    assert load.verdict is Verdict.ACCEPTABLE


def test_messages_outside_the_period_do_not_count():
    assert load_of([-1, 0, HOUR - 1, HOUR], 0, HOUR).messages == 2


def test_the_ten_most_frequent_are_those_that_were_spoken_of_most():
    words = [word(f"F{number:02}", level="urgent") for number in range(12) for _ in range(number)]
    found = most_frequent(words)
    assert found[:2] == [("F11", 11), ("F10", 10)]
    assert len(found) == 10
    assert levels(words) == {"early": 0, "urgent": 66, "empty": 0}
