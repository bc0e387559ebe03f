"""Disturbed sources: flicker, states said again, wrong clocks. People hear of it once, or not at all."""

from __future__ import annotations

from statistics import median

import pytest

from service.domain.outcome import forecast
from service.wire.native import Misfit, read_message, read_topic
from tests.support.story import Story


def running(left: int = 100) -> Story:
    story = Story()
    story.recipe({"S": 1})
    story.first("S")
    story.load("S", left, kind="tray")
    return story


def test_a_tower_that_flickers_five_times_a_second_is_told_once():
    story = running()
    for _ in range(300):
        story.later(0.1)
        story.out("S")
        story.later(0.1)
        story.green()
    assert story.emptyings() == ["opened empty"]


def test_a_level_at_the_threshold_that_goes_to_and_fro_is_told_once():
    story = running(left=30)
    story.run(19, {"S": 1})
    heard = len(story.told)
    for panel in range(60):
        story.later(1)
        # A person counts again and again, one more and one less.
        story.counted("S", 10 + panel % 2)
    assert len(story.told) - heard <= 1
    assert story.live() == ["S"]


@pytest.mark.parametrize("state", ["online", "offline"])
def test_a_link_that_the_broker_says_again_is_no_news(state):
    story = running()
    story.say("L3/P1/link", {"at": story.time(), "state": state})
    since = story.station().link_since
    for _ in range(5):
        story.later(30)
        assert story.say("L3/P1/link", {"at": story.time(), "state": state}, retained=True) == []
    assert story.station().link_since == since
    assert story.told == []


def test_a_state_that_changed_while_nobody_listened_opens_once_and_ends_once():
    story = running()
    story.run(3, {"S": 1})
    story.later(3600)
    for _ in range(2):
        story.say(
            "L3/P1/tower", {"lamps": {"yellow": "flashing"}, "buzzer": "on", "slots": ["S"]}, retained=True
        )
    assert story.emptyings() == ["opened empty"]
    story.load("S", 100, kind="tray")
    for _ in range(2):
        story.say("L3/P1/tower", {"lamps": {"green": "on"}}, retained=True)
    assert story.emptyings() == ["opened empty", "closed refilled"]


def seen(ahead: float) -> tuple[int | None, object, float | None, bool]:
    """What is believed after twenty panels from a source whose clock is so many seconds ahead."""
    story = running()
    for panel in range(1, 21):
        story.later(20)
        slots = {"S": (panel, 0)}
        story.count(slots, ago=-ahead, session="s1", seq=panel + 1, panels=panel)
    case = story.case("S")
    assert case is not None
    (panels,) = forecast([case])
    takts = story.station().takts
    return story.slot("S").book, panels, median(takts), story.station().clock_flagged


@pytest.mark.parametrize("ahead", [86_400.0, -31_536_000.0, 3_600.0, -3_600.0])
def test_a_clock_that_is_wrong_changes_no_forecast_and_is_shown_when_it_is_far_off(ahead):
    book, panels, takt, flagged = seen(0.0)
    assert not flagged
    assert seen(ahead) == (book, panels, takt, abs(ahead) > 86_000 or ahead > 300)


def test_the_hour_that_the_clocks_are_set_back_is_no_repeat():
    story = running()
    for panel, zone in enumerate(("+02:00", "+02:00", "+01:00", "+01:00"), 1):
        story.later(20)
        moment = f"2026-03-02T0{7 + int(zone[2])}:{panel:02d}:00{zone}"
        story.say("L3/P1/count", {"at": moment, "panels": panel, "slots": {"S": {"placed": panel}}})
    assert story.slot("S").book == 96


def test_a_leap_second_is_refused_by_name_and_never_an_error_of_ours():
    address = read_topic(b"floor/L3/P1/count", "floor")
    with pytest.raises(Misfit):
        read_message(address, b'{"at": "2016-12-31T23:59:60Z", "slots": {"S": {"placed": 1}}}')
