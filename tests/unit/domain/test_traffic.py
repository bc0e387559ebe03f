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
    believed,
    failed,
    next_token_at,
    sent,
    succeeded,
    tokens,
)

NOW = 1_772_432_047_250_000
HOOK = Pace(rate=5.0, burst=20, fresh=300)
CHAT = Pace(rate=1.0, burst=5)


def after_failures(number: int, *, every: int = SECOND) -> Traffic:
    traffic = NOTHING_YET
    for n in range(number):
        traffic = failed(traffic, NOW + n * every, chance=0.5)
    return traffic


def test_the_breaker_opens_after_five_failures_in_a_row_and_not_before() -> None:
    assert not after_failures(OPENS_AFTER - 1).half_open
    opened = after_failures(OPENS_AFTER)
    assert opened.half_open
    assert opened.open_until > NOW + (OPENS_AFTER - 1) * SECOND
    assert opened.failing_since == NOW


def test_one_success_closes_it_at_once_and_keeps_the_bucket_as_it_is() -> None:
    opened = sent(after_failures(9), CHAT, NOW)
    assert succeeded(opened) == Traffic(full_at=opened.full_at)


@given(failures=st.integers(OPENS_AFTER, 200), chance=st.floats(0.0, 1.0, exclude_max=True))
def test_it_is_never_open_for_longer_than_half_a_minute(failures: int, chance: float) -> None:
    """With the 15 s that a probe may hang a receiver that is well again is reached within 60 s."""
    traffic, now = NOTHING_YET, NOW
    for _ in range(failures):
        traffic = failed(traffic, now, chance=chance)
        assert traffic.open_until <= now + round(LONGEST_OPEN * SECOND)
        now = max(now + 1, traffic.open_until)


def test_what_fails_while_it_is_open_keeps_it_open_no_longer() -> None:
    opened = after_failures(OPENS_AFTER, every=0)
    assert failed(opened, NOW + 1, chance=0.9).open_until == opened.open_until


def test_a_receiver_that_asks_for_time_gets_forty_seconds_at_most() -> None:
    assert failed(NOTHING_YET, NOW, chance=0.0, retry_after=7.0).paused_until == NOW + 7 * SECOND
    for asked in (1e9, float("inf")):
        assert failed(NOTHING_YET, NOW, chance=0.0, retry_after=asked).paused_until == NOW + 40 * SECOND
    for senseless in (-5.0, float("nan"), None):
        assert failed(NOTHING_YET, NOW, chance=0.0, retry_after=senseless).paused_until == NOW


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
    assert tokens(traffic, HOOK, NOW, fresh=True) == 220
    assert tokens(traffic, HOOK, NOW + 15 * SECOND) == 0
    assert tokens(traffic, HOOK, NOW + 17 * SECOND) > 0
    assert tokens(sent(NOTHING_YET, CHAT, NOW), CHAT, NOW, fresh=True) == 4


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
