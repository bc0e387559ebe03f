"""When a slot began to lose more: found where it is, and hardly ever where nothing changed."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from service.domain.changes import find_changes, unlikely

PANELS = 960
"""Of eight hours."""


def shift(rng: np.random.Generator, *rates: tuple[int, float]) -> tuple[np.ndarray, np.ndarray]:
    """Lost and picked parts panel by panel, at each rate for so many panels."""
    picks = rng.poisson(12, sum(panels for panels, _ in rates)) + 1
    chance = np.concatenate([np.full(panels, rate) for panels, rate in rates])
    return rng.binomial(picks, chance), picks


def test_the_tails_are_those_of_the_binomial_law() -> None:
    # scipy.stats, which reckons them by itself.
    for x, lost, share in ((0, 9, 0.3), (3, 9, 0.3), (9, 9, 0.3), (40, 60, 0.5), (2, 400, 0.02)):
        law = stats.binom(lost, share)
        assert unlikely(x, lost, share, higher=True) == pytest.approx(law.sf(x - 1))
        assert unlikely(x, lost, share, higher=False) == pytest.approx(law.cdf(x))


@pytest.mark.parametrize("rate", [0.001, 0.004, 0.02])
def test_a_steady_slot_is_accused_no_oftener_than_allowed(rate: float) -> None:
    rng = np.random.default_rng(11)
    accused = sum(bool(find_changes(*shift(rng, (PANELS, rate)), 0.1)) for _ in range(1500))
    assert accused <= 0.1 * 1500


def test_four_hundred_steady_slots_are_rarely_accused_of_anything_in_a_shift() -> None:
    # A chance of a twentieth for all together: in 10 shifts of 400 slots a half is expected at most, and 4
    # or more would come once in 600.
    rng = np.random.default_rng(12)
    shifts = sum(
        any(find_changes(*shift(rng, (PANELS, rate)), 0.05 / 400) for rate in rng.uniform(0.0005, 0.01, 400))
        for _ in range(10)
    )
    assert shifts <= 3


def test_a_rise_is_found_where_it_is() -> None:
    rng = np.random.default_rng(13)
    found = [find_changes(*shift(rng, (360, 0.006), (600, 0.024)), 0.05 / 400) for _ in range(50)]
    assert [len(borders) for borders in found].count(1) >= 48
    first = [borders[0] for borders in found]
    assert np.median([abs(each.first - 360) for each in first]) <= 8
    assert sum(each.earliest <= 360 <= each.latest for each in first) >= 42


def test_a_rise_that_is_over_again_has_two_borders() -> None:
    rng = np.random.default_rng(14)
    found = [
        find_changes(*shift(rng, (300, 0.006), (200, 0.03), (460, 0.006)), 0.05 / 400) for _ in range(30)
    ]
    assert [len(borders) for borders in found].count(2) >= 28


def test_one_burst_is_no_change() -> None:
    rng = np.random.default_rng(15)
    lost, picks = shift(rng, (PANELS, 0.004))
    lost[500], picks[500] = lost[500] + 25, picks[500] + 25
    assert find_changes(lost, picks, 0.05) == []


@pytest.mark.parametrize(
    ("lost", "picks"), [([], []), ([3], [10]), ([0, 0], [5, 5]), ([0, 5], [0, 5]), ([2] * 5, [0, 0, 9, 0, 0])]
)
def test_what_is_too_little_shows_nothing(lost: list[int], picks: list[int]) -> None:
    assert find_changes(np.array(lost, dtype=np.int64), np.array(picks, dtype=np.int64), 0.05) == []
