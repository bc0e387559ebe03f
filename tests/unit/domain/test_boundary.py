"""Whether a panel boundary is now, or how far off."""

from zoneinfo import ZoneInfo

import pytest

from service.domain.boundary import Boundary, boundary
from service.domain.said import put
from tests.support.story import Story


@pytest.fixture
def story() -> Story:
    story = Story()
    story.takt = 38.0
    story.first("T1")
    story.recipe({"T1": 1})
    story.load("T1", 100, kind="tray")
    return story


def look(story: Story, *, needed: bool = True) -> tuple[bool | None, str]:
    found = at(story, needed=needed)
    return found.now, put(found.said, ZoneInfo("UTC"))


def at(story: Story, *, needed: bool = True) -> Boundary:
    return boundary(story.station(), story.slot("T1"), story.now, needed=needed)


def test_while_panels_come_the_end_of_the_one_in_work_is_waited_for(story):
    story.run(5, {"T1": 1})
    story.later(5)

    assert look(story) == (
        False,
        "A panel ends about every 38 s; the last ended 5 s ago. Wait for the end of the one in work.",
    )
    assert at(story).seconds == pytest.approx(33.0, abs=0.01)


def test_a_panel_that_is_late_can_not_be_seen_from_here(story):
    story.run(5, {"T1": 1})
    story.later(600)

    said = "No panel ended for 10 min, else about every 38 s. Look whether one is in work: if so, wait"
    assert look(story) == (None, f"{said} for its end.")


def test_what_is_not_known_is_not_said(story):
    expected = "How long a panel takes isn't known yet: wait for the end of the one in work."

    assert look(story) == (None, expected)
    story.run(1, {"T1": 1})
    assert look(story) == (None, expected)


def test_a_station_that_waits_for_this_very_slot_can_be_served_now(story):
    story.run(5, {"T1": 1})
    story.out("T1")

    assert look(story)[0] is True


@pytest.mark.parametrize("tower", [{"yellow": "flashing", "buzzer": "on"}, {"red": "on"}])
def test_a_station_that_stands_for_something_else_is_looked_at(story, tower):
    story.run(5, {"T1": 1})
    story.tower("F99", **tower)

    assert look(story)[0] is None


def test_once_the_order_is_done_no_panel_should_be_in_work(story):
    story.order("A", "running", panels=5)
    story.run(5, {"T1": 1})
    story.order("A", "finished")

    assert look(story)[0] is True


def test_what_can_be_exchanged_while_it_runs_needs_no_boundary(story):
    assert look(story, needed=False) == (
        None,
        "It may be exchanged while it runs, as the manual allows.",
    )
