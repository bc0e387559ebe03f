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
def test_the_interval_holds_the_time_as_often_as_it_says_and_beats_a_mean_and_independent_panels(ahead):
    """Own simulation (sixty seeded lines, four moments each), formulas common: coverage of 90 %, and the
    pinball loss of the three quantiles (Koenker and Bassett 1978) against the mean of the last forty panels
    as a point, and against a log-normal law of independent takts with their moments."""
    chance = np.random.default_rng(100 + ahead)
    inside = []
    ours, point, independent = 0.0, 0.0, 0.0
    for _ in range(60):
        takts = line(chance, 1000 + 4 * 150)
        for moment in range(1000, 1600, 150):
            truth = takts[moment : moment + ahead].sum()
            low, middle, high = pace_after(takts[:moment]).seconds(ahead)
            inside.append(low <= truth <= high)
            recent = takts[moment - 40 : moment]
            mean = recent.mean() * ahead
            wide = np.sqrt(np.log1p(recent.var() / (recent.mean() ** 2 * ahead)))
            likely = mean * np.exp(wide * np.array([-1.645, 0.0, 1.645]) - wide**2 / 2.0)
            ours += _pinball((low, middle, high), truth)
            point += _pinball((mean, mean, mean), truth)
            independent += _pinball(likely, truth)
    assert 0.85 <= np.mean(inside) <= 0.95
    assert ours < independent
    assert ours < point


def _pinball(quantiles, truth: float) -> float:
    return sum(
        max(share * (truth - each), (share - 1.0) * (truth - each))
        for share, each in zip((0.05, 0.5, 0.95), quantiles, strict=True)
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


def test_a_break_stands_in_the_local_time_of_the_site_and_so_does_the_sentence():
    """06:45 UTC is 07:45 in Berlin: on 2 March standard time holds, an hour ahead of UTC."""
    policy = Policy(
        timezone="Europe/Berlin",
        warn=Limits(lead_panels=20),
        shifts=(Shift(line="L*", start="06:00", end="14:00", breaks=("07:15-07:45",)),),
    )
    story = Story(policy)
    story.recipe({"T2": 1})
    story.first("T2")
    story.load("T2", 50, kind="tray")
    story.run(30, {"T2": 1})
    assert "about 07:46" in story.notice("T2").message
    empty_at = story.notice("T2").empty_at or pytest.fail("a takt is known")
    assert empty_at.p05 > "2026-03-02T06:45"
    assert empty_at.p50.startswith("2026-03-02T06:46:")


def test_a_line_that_places_on_in_a_break_is_not_said_to_wait_for_its_end():
    """Sixty panels from 06:05 on, the last thirty in the break; twenty more take under seven minutes."""
    story = Story(BREAK)
    story.recipe({"T2": 1})
    story.first("T2")
    story.later(5 * 60)
    story.load("T2", 80, kind="tray")
    story.run(60, {"T2": 1})
    assert "about 06:31" in story.notice("T2").message


def test_lead_minutes_are_minutes_of_work():
    """Ten minutes of work are thirty panels of 20 s, whether a break lies within them or not."""
    plan = Policy(warn=Limits(lead_panels=2, urgent_panels=1, lead_minutes=10.0), shifts=BREAK.shifts)
    story = Story(plan)
    story.recipe({"T2": 1})
    story.first("T2")
    story.load("T2", 60, kind="tray")
    story.run(32, {"T2": 1})
    opened = story.notice("T2").panels_to_empty or pytest.fail("quantity and usage are known")
    assert 28 <= opened.p50 <= 32


def test_the_time_of_a_break_is_no_takt():
    story = Story(BREAK)
    story.recipe({"T2": 1})
    story.first("T2")
    story.load("T2", 400, kind="tray")
    story.run(45, {"T2": 1})
    story.later(30 * 60)
    story.run(5, {"T2": 1})
    assert max(story.station().takts) == pytest.approx(20.0, abs=0.1)
