"""When a failed delivery comes again."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.backoff import GIVE_UP, LONGEST, LONGEST_ASKED, asked_seconds, next_try, wait_seconds
from service.domain.model import SECOND

CHANCES = st.floats(0.0, 1.0, exclude_max=True)
ATTEMPTS = st.integers(1, 100_000)


@given(attempts=ATTEMPTS, chance=CHANCES)
def test_a_wait_is_never_nothing_and_never_over_forty_seconds(attempts: int, chance: float) -> None:
    assert 0.5 <= wait_seconds(attempts, chance=chance) <= LONGEST


@given(chances=st.tuples(CHANCES, CHANCES), attempts=st.integers(1, 5))
def test_waits_grow_whatever_chance_says(chances: tuple[float, float], attempts: int) -> None:
    earlier, later = (wait_seconds(attempts + n, chance=chances[n]) for n in (0, 1))
    assert earlier <= later


def test_the_longest_hang_and_the_longest_wait_together_stay_under_a_minute() -> None:
    hang = 15.0
    assert hang + wait_seconds(100, chance=math.nextafter(1.0, 0.0)) < 60.0


def test_chance_scatters_a_herd_over_half_the_wait() -> None:
    assert wait_seconds(5, chance=0.0) == 8.0
    assert wait_seconds(5, chance=0.5) == 12.0


@pytest.mark.parametrize(
    ("said", "believed"),
    [
        (None, 0.0),
        (0.0, 0.0),
        (120.0, 120.0),
        (-5.0, 0.0),
        (1e9, LONGEST_ASKED),
        (math.inf, LONGEST_ASKED),
        (-math.inf, 0.0),
        (math.nan, 0.0),
    ],
)
def test_a_receiver_is_believed_up_to_ten_minutes(said: float | None, believed: float) -> None:
    assert asked_seconds(said) == believed


def test_what_a_receiver_asks_for_is_the_least_wait_not_the_most() -> None:
    assert wait_seconds(1, chance=0.0, retry_after=30.0) == 30.0
    assert wait_seconds(9, chance=0.0, retry_after=1.0) == LONGEST / 2


@given(attempts=ATTEMPTS, age=st.integers(0, 10 * GIVE_UP))
def test_a_delivery_is_never_given_up_while_its_notice_is_open(attempts: int, age: int) -> None:
    again = next_try(attempts, now=age, created_at=0, closed=False, chance=0.5)
    assert again is not None
    assert age < again <= age + 60 * SECOND


def test_a_delivery_of_a_closed_notice_is_given_up_after_a_day() -> None:
    def at(age: int) -> int | None:
        return next_try(50, now=age, created_at=0, closed=True, chance=0.0)

    assert at(GIVE_UP - 1) == GIVE_UP - 1 + 20 * SECOND
    assert at(GIVE_UP) is None
