"""How much an outlet is sent, and when it is left alone."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from service.domain.model import SECOND
from service.domain.traffic import (
    LONGEST_OPEN,
    NOTHING_YET,
    OPENS_AFTER,
    Pace,
    Traffic,
    apart,
    believed,
    failed,
    given_back,
    next_token_at,
    pace_for_people,
    sent,
    succeeded,
    tokens,
)

NOW = 1_772_432_047_250_000
HOOK = Pace(rate=5.0, burst=20, fresh=300)
CHAT = Pace(rate=1.0, burst=5)
DOWN = "answered 503 Service Unavailable"


def after_failures(number: int, *, every: int = SECOND) -> Traffic:
    traffic = NOTHING_YET
    for n in range(number):
        traffic = failed(traffic, NOW + n * every, reason=DOWN, chance=0.5)
    return traffic


def test_the_breaker_opens_after_five_failures_in_a_row_and_not_before() -> None:
    assert not after_failures(OPENS_AFTER - 1).half_open
    opened = after_failures(OPENS_AFTER)
    assert opened.half_open
    assert opened.open_until > NOW + (OPENS_AFTER - 1) * SECOND
    assert opened.failing_since == NOW


def test_one_success_closes_it_at_once_and_keeps_the_bucket_as_it_is() -> None:
    opened, now = sent(after_failures(9), CHAT, NOW), NOW + 60 * SECOND
    closed = succeeded(opened, now)
    assert (closed.full_at, closed.half_open, closed.failures) == (opened.full_at, False, 0)
    assert (closed.open_until, closed.paused_until, closed.failing_since) == (0, 0, None)


def test_people_can_see_when_an_outlet_last_took_something_when_it_last_did_not_and_why() -> None:
    traffic = succeeded(NOTHING_YET, NOW)
    assert (traffic.succeeded_at, traffic.failed_at, traffic.error) == (NOW, None, None)
    traffic = failed(traffic, NOW + 1, reason=DOWN, chance=0.5)
    traffic = succeeded(failed(traffic, NOW + 2, reason="answered 400", chance=0.5), NOW + 3)
    assert (traffic.succeeded_at, traffic.failed_at, traffic.error) == (NOW + 3, NOW + 2, "answered 400")


@given(failures=st.integers(OPENS_AFTER, 200), chance=st.floats(0.0, 1.0, exclude_max=True))
def test_it_is_never_open_for_longer_than_half_a_minute(failures: int, chance: float) -> None:
    """With the 15 s that a probe may hang a receiver that is well again is reached within 60 s."""
    traffic, now = NOTHING_YET, NOW
    for _ in range(failures):
        traffic = failed(traffic, now, reason=DOWN, chance=chance)
        assert traffic.open_until <= now + round(LONGEST_OPEN * SECOND)
        now = max(now + 1, traffic.open_until)


def test_what_fails_while_it_is_open_keeps_it_open_no_longer() -> None:
    opened = after_failures(OPENS_AFTER, every=0)
    assert failed(opened, NOW + 1, reason=DOWN, chance=0.9).open_until == opened.open_until


def test_a_receiver_that_asks_for_time_gets_forty_seconds_at_most() -> None:
    def paused_after(asked: float | None) -> int:
        paused = failed(NOTHING_YET, NOW, reason=DOWN, chance=0.0, retry_after=asked).paused_until
        return (paused - NOW) // SECOND

    assert paused_after(7.0) == 7
    assert [paused_after(asked) for asked in (1e9, float("inf"))] == [40, 40]
    assert [paused_after(senseless) for senseless in (-5.0, float("nan"), None)] == [0, 0, 0]


def test_a_full_bucket_lets_its_burst_through_and_then_its_rate() -> None:
    traffic = NOTHING_YET
    for left in range(20, 0, -1):
        assert tokens(traffic, HOOK, NOW) == left
        traffic = sent(traffic, HOOK, NOW)
    assert tokens(traffic, HOOK, NOW) == 0
    assert next_token_at(traffic, HOOK) == NOW + SECOND // 5
    assert tokens(traffic, HOOK, NOW + SECOND // 5) == 1
    assert tokens(traffic, HOOK, NOW + 60 * SECOND) == 20


def test_what_is_fresh_may_borrow_where_the_pace_allows_it_and_what_is_late_pays_it_back() -> None:
    traffic = NOTHING_YET
    for _ in range(100):
        traffic = sent(traffic, HOOK, NOW)
    assert tokens(traffic, HOOK, NOW, borrowed=HOOK.fresh) == 220
    assert tokens(traffic, HOOK, NOW + 15 * SECOND) == 0
    assert tokens(traffic, HOOK, NOW + 17 * SECOND) > 0
    assert tokens(sent(NOTHING_YET, CHAT, NOW), CHAT, NOW, borrowed=CHAT.fresh) == 4


@given(steps=st.lists(st.integers(0, 3 * SECOND), max_size=60))
def test_no_stretch_of_time_sees_more_than_the_burst_and_the_rate(steps: list[int]) -> None:
    """The property of a token bucket, over every pair of sends."""
    traffic, now, times = NOTHING_YET, NOW, list[int]()
    for step in steps:
        now += step
        while tokens(traffic, CHAT, now):
            traffic = sent(traffic, CHAT, now)
            times.append(now)
    for first, begin in enumerate(times):
        for last in range(first, len(times)):
            assert last - first + 1 <= CHAT.burst + (times[last] - begin) / SECOND + 1e-9


def test_what_was_stored_is_not_believed_beyond_what_could_be() -> None:
    """The clock stepped back by a year: nothing waits a year."""
    year = 365 * 24 * 3600 * SECOND
    kept = Traffic(failures=9, trips=4, open_until=NOW + year, paused_until=NOW + year, full_at=NOW + year)
    now = believed(kept, CHAT, NOW)
    assert max(now.open_until, now.paused_until, now.full_at) <= NOW + 40 * SECOND
    assert (now.failures, now.trips) == (9, 4)


# --- a pace for people


def test_of_ten_messages_four_may_go_at_once_one_more_presses_and_five_are_spread() -> None:
    pace = pace_for_people(10)
    assert (pace.burst, pace.pressing, pace.rate * 600) == (4, 1, 5.0)


@given(
    most=st.integers(2, 60),
    steps=st.lists(st.tuples(st.floats(0.0, 200.0), st.booleans()), max_size=80),
)
def test_no_ten_minutes_see_more_messages_than_the_most_whatever_presses(
    most: int, steps: list[tuple[float, bool]]
) -> None:
    """Both ends of the ten minutes included, over every pair of messages. At the default of 10 it is the
    figure of ISA-18.2-2016 and IEC 62682 for any ten minutes (from public pages)."""
    pace, traffic, now, last, times = pace_for_people(most), NOTHING_YET, NOW, 0, list[int]()
    for step, pressing in steps:
        now += round(step * SECOND)
        allowed = tokens(traffic, pace, now, borrowed=pace.pressing if pressing else 0)
        if allowed and now >= last + apart(traffic, pace, now, pressing=pressing):
            traffic, last = sent(traffic, pace, now), now
            times.append(now)
    for first, begin in enumerate(times):
        assert sum(at <= begin + 600 * SECOND for at in times[first:]) <= most


def _moments(until: int, *, pressing: bool) -> list[float]:
    """When messages go while there is always something to say, in seconds."""
    pace, traffic, last, times = pace_for_people(), NOTHING_YET, 0, list[float]()
    for now in range(NOW, NOW + until * SECOND, SECOND // 10):
        allowed = tokens(traffic, pace, now, borrowed=pace.pressing if pressing else 0)
        if allowed and now >= last + apart(traffic, pace, now, pressing=pressing):
            traffic, last = sent(traffic, pace, now), now
            times.append((now - NOW) / SECOND)
    return times


def test_when_there_is_always_something_to_say_the_first_messages_come_soon_and_the_others_evenly() -> None:
    assert _moments(601, pressing=False) == [0.0, 0.8, 3.8, 13.8, 120.0, 240.0, 360.0, 480.0, 600.0]


def test_what_presses_comes_sooner_and_is_paid_back() -> None:
    assert _moments(500, pressing=True) == [0.0, 0.1, 0.9, 3.9, 13.9, 120.0, 240.0, 360.0, 480.0]


def test_a_token_given_back_is_there_again() -> None:
    pace = pace_for_people()
    taken = sent(sent(NOTHING_YET, pace, NOW), pace, NOW)
    assert tokens(given_back(taken, pace), pace, NOW) == pace.burst - 1


def test_a_bucket_that_fills_in_no_time_holds_nothing_apart() -> None:
    assert apart(sent(NOTHING_YET, HOOK, NOW), HOOK, NOW) <= SECOND // 5
