"""Whose times are believed, which loading a count belongs to, and what a panel takes."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.clock import believed, usual_offset
from service.domain.judge import takt_of
from service.domain.model import SECOND
from tests.support.story import HOUR, MINUTE, START, Story

DAY = 24 * HOUR


def loaded_between(story: Story, *, at_skew: float = 0.0) -> None:
    """A station that has counted for a while, and a slot loaded by a tap (so by our clock)."""
    for seq in range(1, 5):
        story.later(20).count({"F1": 10 * seq}, session="a", seq=seq, ago=at_skew)
    story.load("F1", 1000)


# --- what is believed -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ahead", "expected"),
    [(5 * MINUTE, True), (5 * MINUTE + 1, False), (-7 * DAY, True), (-7 * DAY - 1, False), (0.0, True)],
)
def test_more_than_five_minutes_ahead_or_seven_days_behind_is_not_believed(ahead, expected):
    assert believed(START + round(ahead * SECOND), START) is expected


@pytest.mark.parametrize("ago", [-400.0, 8 * DAY, -50 * 365 * DAY, 1500 * 365 * DAY])
def test_a_time_far_off_is_replaced_by_the_arrival_and_the_clock_is_flagged(ago):
    story = Story()
    loaded_between(story)
    story.later(20).count({"F1": 60}, session="a", seq=5, ago=ago)
    assert story.slot("F1").book == 980
    assert story.station().clock_flagged
    story.later(20).count({"F1": 70}, session="a", seq=6)
    assert story.slot("F1").book == 970
    assert not story.station().clock_flagged


@pytest.mark.parametrize("at", ["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00"])
def test_the_first_and_the_last_of_all_times_are_only_far_off(at):
    story = Story()
    loaded_between(story)
    story.count({"F1": 60}, session="a", seq=5, at=at)
    story.load("F1", 500, at=at)
    story.out("F1", ago=None)
    assert story.station().clock_flagged


def test_a_supply_message_of_a_time_far_off_counts_as_of_its_arrival_and_flags_the_clock():
    story = Story()
    loaded_between(story)
    story.later(20).load("F1", 800, ago=30 * DAY)
    assert story.slot("F1").loaded_at == story.now
    assert story.station().clock_flagged
    story.later(20).count({"F1": 50}, session="a", seq=5)
    assert story.slot("F1").book == 790
    assert story.station().clock_flagged, "the counts' clock is right, the other one still isn't"


def test_without_a_time_the_arrival_counts():
    story = Story()
    loaded_between(story)
    story.later(20).count({"F1": 50}, session="a", seq=5, ago=None)
    assert story.slot("F1").book == 990
    assert not story.station().clock_flagged


# --- the loading that a count belongs to ----------------------------------------------------------------


def test_a_count_that_precedes_the_loading_belongs_to_the_loading_before():
    story = Story()
    loaded_between(story)
    story.later(5).count({"F1": 47}, session="a", seq=5, ago=6)
    slot = story.slot("F1")
    assert slot.book == 1000
    assert slot.before == 7
    story.later(20).count({"F1": 60}, session="a", seq=6)
    assert slot.book == 987


@pytest.mark.parametrize("skew", [-270.0, -45.0, 45.0, 2 * HOUR, 3 * DAY])
def test_a_count_that_precedes_the_loading_is_known_by_a_clock_that_is_off_too(skew):
    """``skew``: how many seconds the source's clock is behind ours."""
    story = Story()
    loaded_between(story, at_skew=skew)
    story.later(2).count({"F1": 47}, session="a", seq=5, ago=skew + 3)
    assert story.slot("F1").book == 1000
    story.later(20).count({"F1": 60}, session="a", seq=6, ago=skew)
    assert story.slot("F1").book == 987


def test_a_backlog_that_reaches_over_a_loading_is_shared_out_between_the_loadings():
    story = Story()
    story.recipe({"F1": 10})
    story.load("F1", 500)
    story.run(5, {"F1": 10})
    story.later(30 * MINUTE)
    story.load("F1", 1000)
    story.later(30 * MINUTE)
    for minute in range(1, 60):
        total = 50 + 10 * minute
        story.count({"F1": total}, session="s1", seq=5 + minute, panels=5 + minute, ago=HOUR - minute * 60)
    slot = story.slot("F1")
    assert slot.before == 290
    assert slot.book == 1000 - 300


def test_a_long_silence_teaches_nothing_about_the_clock():
    story = Story()
    story.run(5, {"F1": 10})
    story.later(10 * HOUR)
    story.load("F1", 1000)
    story.later(60)
    story.count({"F1": 90}, session="s1", seq=7, ago=150)
    assert story.slot("F1").before == 40


def test_a_backlog_that_brings_the_loading_along_is_shared_out_by_the_source_own_clock():
    """The first supply message of this source comes an hour late, so its usual delay isn't known yet."""
    story = Story()
    story.run(5, {"F1": 10})
    story.later(HOUR)
    for minute in range(1, 60):
        if minute == 30:
            story.load("F1", 1000, ago=HOUR - 30 * 60 + 30)
        total = 50 + 10 * minute
        story.count({"F1": total}, session="s1", seq=5 + minute, ago=HOUR - minute * 60)
    assert story.slot("F1").book == 1000 - 300


def test_sources_whose_clocks_differ_by_less_than_a_minute_are_not_confused():
    """The clock of the supply messages is half a minute fast, the counts' clock is right."""
    story = Story()
    story.run(3, {"F1": 10})
    story.load("F1", 1000, ago=-30)
    story.later(1).count({"F1": 40}, session="s1", seq=10, panels=4)
    assert story.slot("F1").book == 990


def test_a_supply_message_that_comes_late_owns_what_was_placed_since_its_moment():
    """Loaded ten minutes ago, it gave the three panels since then too; a count that follows is its own."""
    story = Story()
    story.run(3, {"F1": 10})
    story.load("F1", 900, ago=0)
    story.run(3, {"F1": 10})
    story.load("F1", 1000, ago=10 * MINUTE)
    story.run(3, {"F1": 10})
    assert story.slot("F1").book == 1000 - 30 - 30


def test_a_clock_of_a_test_that_runs_fast_confuses_no_loadings():
    """Sixty times faster than ours, from an hour behind: each message is the least delayed so far."""
    story = Story()
    story.count({"F1": 0}, session="a", seq=0, ago=HOUR)
    for step in range(1, 59):
        story.later(1).count({"F1": 10 * step}, session="a", seq=step, ago=HOUR - 60 * step + step)
        if step % 10 == 5:
            story.load("F1", 1000, ago=HOUR - 60 * step + step - 1)
    assert story.slot("F1").book == 1000 - 30


def test_a_clock_of_a_test_that_runs_slow_confuses_no_loadings():
    story = Story()
    for step in range(60):
        story.later(20).count({"F1": 10 * step}, session="a", seq=step, ago=10.0 * step)
        if step % 10 == 5:
            story.load("F1", 1000, ago=10.0 * step - 1)
    assert story.slot("F1").book == 1000 - 40


def test_a_clock_that_was_set_right_is_believed_again_within_hours():
    story = Story()
    for seq in range(1, 20):
        story.later(20).count({"F1": seq}, session="a", seq=seq, ago=-180)
    for seq in range(20, 20 + 6 * 180):
        story.later(20).count({"F1": seq}, session="a", seq=seq)
    story.load("F1", 1000)
    story.later(1).count({"F1": 2000}, session="a", seq=2000)
    assert story.slot("F1").counted > 0


def test_what_a_person_counted_holds_from_the_moment_of_the_count():
    """The page is silent: parts counted by hand already lack what was placed before."""
    story = Story()
    loaded_between(story)
    story.later(20).counted("F1", 400)
    story.later(5).count({"F1": 60}, session="a", seq=5, ago=10)
    assert story.slot("F1").book == 400


@given(
    st.lists(st.tuples(st.integers(0, 100), st.integers(0, 3600)), min_size=1, max_size=30),
    st.integers(-300, 300),
)
def test_the_usual_offset_never_moves_a_message_behind_its_arrival(steps, skew):
    offset, received, before = None, START, None
    for pause, delay in steps:
        received += pause * SECOND
        at = received - (delay + skew) * SECOND
        offset = usual_offset(offset, at=at, received=received, before=before)
        before = received
        assert at + offset <= received


# --- takt -----------------------------------------------------------------------------------------------


def test_takt_comes_from_differences_of_at_so_a_backlog_is_no_fast_line():
    story = Story()
    story.later(HOUR)
    for panel in range(60):
        story.count({"F1": panel}, session="a", seq=panel, panels=panel, ago=HOUR - 30 * panel)
    assert takt_of(story.station()) == pytest.approx(30)


def test_a_message_of_several_panels_takes_several_takts():
    story = Story()
    for panel in range(0, 50, 5):
        story.later(100).count({"F1": panel}, session="a", seq=panel, panels=panel)
    assert takt_of(story.station()) == pytest.approx(20)


def test_takt_is_not_measured_across_sessions_or_runs_without_parts():
    story = Story()
    story.run(5, {"F1": 1})
    takts = len(story.station().takts)
    story.later(HOUR).count({"F1": 1}, session="b", seq=1, panels=1)
    assert len(story.station().takts) == takts
    story.later(HOUR).count({"F1": 9}, session="b", seq=2, panels=9, mode="dry")
    story.later(HOUR).count({"F1": 10}, session="b", seq=3, panels=10)
    assert len(story.station().takts) == takts
    story.later(20).count({"F1": 11}, session="b", seq=4, panels=11)
    assert story.station().takts[-1] == pytest.approx(20)


def test_without_own_times_takt_comes_from_arrivals():
    story = Story()
    for panel in range(6):
        story.later(25).count({"F1": panel}, session="a", seq=panel, panels=panel, ago=None)
    assert takt_of(story.station()) == pytest.approx(25, rel=1e-3)


def test_takt_is_unknown_before_three_panels_were_timed():
    story = Story()
    story.run(3, {"F1": 1})
    assert takt_of(story.station()) is None
    story.run(1, {"F1": 1})
    assert takt_of(story.station()) == pytest.approx(20)
