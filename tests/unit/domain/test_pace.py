"""How long the next panels take, against simulated lines with minor stops and a takt that wanders."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain import pace
from service.domain.pace import pace_of, panels_within, seconds_to_empty
from service.domain.policy import Limits, Policy, Shift
from service.domain.state import StationState
from tests.support.story import Story


def after(takts) -> StationState:
    station = StationState(line="L3", station="P1")
    for takt in takts:
        pace.note(station, float(takt), 1)
    return station


def pace_after(takts):
    found = pace_of(after(takts))
    assert found is not None
    return found


def line(chance: np.random.Generator, panels: int) -> np.ndarray:
    """Seconds per panel: a takt that wanders by some per cent, a minor stop every thirty panels or so."""
    wander, level = np.zeros(panels), 0.0
    for panel in range(panels):
        level = 0.97 * level + chance.normal(0.0, 0.01)
        wander[panel] = level
    stops = (chance.random(panels) < 0.03) * chance.exponential(90.0, panels)
    return 30.0 * np.exp(wander + chance.normal(0.0, 0.02, panels)) + stops


def test_a_line_like_clockwork_takes_panels_times_takt_and_is_not_trusted_closer_than_two_percent():
    clockwork = seconds_to_empty(pace_after([30.0] * 9), (100, 100, 100))
    low, middle, high = clockwork or pytest.fail("it isn't far away")
    assert middle == 3000.0
    assert 2900.0 < low < 2995.0
    assert 3005.0 < high < 3100.0


def test_without_three_takts_there_is_no_pace():
    for takts in ([], [30.0, 30.0]):
        assert pace_of(after(takts)) is None


def test_a_century_away_is_no_date():
    assert seconds_to_empty(pace_after([30.0] * 5), (1, 10, 2**53)) is None


def test_what_is_remembered_of_the_past_is_bounded():
    station = after([30.0] * 5000)
    assert len(station.takts) == 40
    assert len(station.takt_blocks) <= 4 * 256


@pytest.mark.parametrize("ahead", [5, 20, 50, 100])
def test_the_interval_holds_the_time_as_often_as_it_says_and_beats_independent_panels(ahead):
    """Sixty simulated lines (seeded), four moments each: coverage of 90 %, and the pinball loss of both ends
    (Koenker and Bassett 1978) against a log-normal law of independent takts, which is common practice."""
    chance = np.random.default_rng(100 + ahead)
    inside, ours, independent = [], 0.0, 0.0
    for _ in range(60):
        takts = line(chance, 1000 + 4 * 150)
        for moment in range(1000, 1600, 150):
            truth = takts[moment : moment + ahead].sum()
            low, _, high = pace_after(takts[:moment]).seconds(ahead)
            inside.append(low <= truth <= high)
            recent = takts[moment - 40 : moment]
            spread = 1.645 * recent.std() * np.sqrt(ahead)
            ours += _pinball(low, high, truth)
            independent += _pinball(recent.mean() * ahead - spread, recent.mean() * ahead + spread, truth)
    assert 0.83 <= np.mean(inside) <= 0.97
    assert ours < independent


def _pinball(low: float, high: float, truth: float) -> float:
    return sum(
        max(share * (truth - end), (share - 1.0) * (truth - end))
        for share, end in ((0.05, low), (0.95, high))
    )


def test_the_ends_of_panels_and_of_time_are_added_in_quadrature():
    found = pace_after([30.0, 31.0, 29.0, 30.0, 30.5, 90.0])
    low, middle, high = seconds_to_empty(found, (36, 100, 144)) or pytest.fail("it isn't far away")
    by_time, by_panels = middle - found.seconds(100)[0], middle - found.seconds(36)[1]
    assert middle - low == pytest.approx((by_time**2 + by_panels**2) ** 0.5)
    assert high > found.seconds(144)[1]


@given(
    takts=st.lists(st.floats(0.5, 600.0), min_size=3, max_size=60),
    panels=st.lists(st.integers(0, 100_000), min_size=3, max_size=3),
)
def test_seconds_are_ordered_like_the_panels_and_never_negative(takts, panels):
    low, middle, high = sorted(panels)
    ends = seconds_to_empty(pace_after(takts), (low, middle, high))
    soonest, expected, latest = ends or pytest.fail("it isn't far away")
    assert 0.0 <= soonest <= expected <= latest


@given(takts=st.lists(st.floats(0.5, 600.0), min_size=3, max_size=60), seconds=st.floats(0.0, 1e6))
def test_the_panels_within_some_seconds_are_the_most_that_may_run_in_them(takts, seconds):
    found = pace_after(takts)
    panels = panels_within(found, seconds)
    assert found.seconds(panels)[0] <= seconds + 1e-6
    assert found.seconds(panels + 1)[0] >= seconds - 1e-6


# --- on the line -------------------------------------------------------------------------------------------

BREAK = Policy(
    warn=Limits(lead_panels=20), shifts=(Shift(start="06:00", end="14:00", breaks=("06:15-06:45",)),)
)


def test_a_tray_that_lasts_until_after_the_break_is_said_to_be_empty_after_the_break():
    """From 06:00, 20 s a panel: at 06:10 twenty panels are left; fifteen fit before the break at 06:15, the
    other five take 100 s after it."""
    story = Story(BREAK)
    story.recipe({"T2": 1})
    story.first("T2")
    story.load("T2", 50, kind="tray")
    told = story.run(30, {"T2": 1})
    assert story.words(told) == ["opened early"]
    assert "about 06:46" in story.notice("T2").message


def test_the_time_of_a_break_is_no_takt():
    story = Story(BREAK)
    story.recipe({"T2": 1})
    story.first("T2")
    story.load("T2", 400, kind="tray")
    story.run(45, {"T2": 1})
    story.later(30 * 60)
    story.run(5, {"T2": 1})
    assert max(story.station().takts) == pytest.approx(20.0, abs=0.1)
