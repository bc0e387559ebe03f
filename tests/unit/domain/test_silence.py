"""Silent stations: told after a while of listening, ended by the first word, never on suspicion."""

from __future__ import annotations

import pytest

from service.domain import floor, silence
from service.domain.events import TimePassed
from service.domain.model import SECOND
from service.domain.notices import Told
from tests.support.story import START, Story

LONG_AGO = START - 3600 * SECOND


def at_work(panels: int = 100) -> Story:
    """A station that runs an order and has begun it."""
    story = Story()
    story.recipe({"F1": 1})
    story.order("A", "running", panels=panels, recipe="R1")
    story.first("F1")
    story.load("F1", 10_000)
    story.run(5, {"F1": 1})
    return story


def pass_time(story: Story, seconds: float, heard_since: int | None = LONG_AGO) -> list[str]:
    story.later(seconds)
    assert silence.is_due(story.world, story.now, heard_since) == bool(_silences(story, heard_since))
    told = floor.apply(story.world, TimePassed(heard_since=heard_since), line="", station=None, at=story.now)
    return story.words(told)


def _silences(story: Story, heard_since: int | None) -> list[object]:
    return list(silence._due(story.world, story.now, heard_since))


def test_a_station_whose_counts_stop_while_its_order_runs_is_told_after_two_minutes():
    story = at_work()
    assert pass_time(story, 119) == []
    assert pass_time(story, 1) == ["opened silent"]
    assert pass_time(story, 3600) == [], "once"


def test_it_ends_with_the_first_count():
    story = at_work()
    pass_time(story, 600)
    assert story.words(story.run(1, {"F1": 1})) == ["closed ended"]
    assert pass_time(story, 119) == []
    assert pass_time(story, 1) == ["opened silent"]


def test_a_slow_line_gets_a_few_takts():
    story = at_work()
    story.takt = 100.0
    story.run(10, {"F1": 1})
    assert pass_time(story, 499) == []
    assert pass_time(story, 2) == ["opened silent"]


def test_a_gateway_that_is_offline_is_told_whatever_the_orders_and_ends_when_it_is_back():
    story = Story()
    story.first("F1")
    story.say("L3/P1/link", {"at": story.time(), "state": "offline"})
    assert pass_time(story, 119) == []
    assert pass_time(story, 2) == ["opened silent"]
    told = story.say("L3/P1/link", {"at": story.time(), "state": "online"})
    assert story.words(told) == ["closed ended"]


def test_a_gateway_whose_link_is_online_may_stand_through_a_break():
    """Its last will would say that it is gone."""
    story = at_work()
    story.say("L3/P1/link", {"at": story.time(), "state": "online"})
    assert pass_time(story, 44 * 60) == []
    assert pass_time(story, 2 * 60) == ["opened silent"]


def test_what_is_not_heard_before_we_listened_is_nobodys_silence():
    story = at_work()
    assert pass_time(story, 3600, heard_since=None) == []
    began = story.now
    assert pass_time(story, 119, heard_since=began) == []
    assert pass_time(story, 1, heard_since=began) == ["opened silent"]


def _stopped(story: Story) -> None:
    story.out("F1")


def _faulty(story: Story) -> None:
    story.tower(red="on")


def _through(story: Story) -> None:
    story.order("A", "finished", panels=100, recipe="R1")


@pytest.mark.parametrize("why", [_stopped, _faulty, _through])
def test_a_station_that_says_why_it_counts_nothing_is_not_silent(why):
    story = at_work()
    why(story)
    assert pass_time(story, 3600) == []


@pytest.mark.parametrize("why", [_stopped, _faulty, _through])
def test_a_silence_that_explains_itself_ends(why):
    story = at_work()
    pass_time(story, 600)
    why(story)
    assert "closed ended" in story.words()


def test_after_a_stop_the_time_begins_anew():
    story = at_work()
    story.tower(red="on")
    story.later(3600)
    story.green()
    assert pass_time(story, 119) == []
    assert pass_time(story, 1) == ["opened silent"]


def test_a_station_that_has_not_begun_the_order_or_is_through_with_it_is_not_expected_to_count():
    story = at_work(panels=5)
    assert pass_time(story, 3600) == []
    story.order("B", "running", panels=100, recipe="R1")
    assert pass_time(story, 3600) == []


def test_a_person_who_closed_it_is_not_told_of_the_same_silence_again():
    story = at_work()
    pass_time(story, 600)
    (name,) = story.world.standing
    story.close(name)
    assert pass_time(story, 600) == []
    story.run(1, {"F1": 1})
    assert pass_time(story, 600) == ["opened silent"]


def test_the_words_say_where_since_when_and_what_it_means():
    story = at_work()
    story.later(600)
    told: list[Told] = silence.judge(story.world, story.now, LONG_AGO)
    assert told[0].notice.message.startswith("L3 P1 has sent no counts since 06:0")
    assert "Nothing warns" in told[0].notice.message
