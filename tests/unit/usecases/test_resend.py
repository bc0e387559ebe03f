"""Asking again for what is missing: after a moment, a few times, then no more."""

from __future__ import annotations

import json

from service.domain.state import StationState
from service.usecases.resend import PAUSES, Asked, Resend, safe_to_forget
from tests.support.story import Story


class Line:
    """One station with holes, and what it was asked."""

    def __init__(self, **station: object) -> None:
        self.station = StationState(line="L3", station="P1", session="s", **station)  # type: ignore[arg-type]
        self.asked: list[Asked] = []
        self.published: list[tuple[str, bytes, bool]] = []
        self.reached = True
        self.resend = Resend(
            publish=self.published.extend,
            root="earlybell",
            report=self.asked.append,
            reaches=lambda source: self.reached,
        )
        self.now = 0.0

    def later(self, seconds: float, *, connected: bool = True) -> int:
        """How often it was asked in that time."""
        before, end = len(self.asked), self.now + seconds
        while self.now < end:
            self.now = min(end, self.now + 0.5)
            self.resend.look([self.station], self.now, connected=connected)
        return len(self.asked) - before


def test_a_hole_is_asked_for_after_two_seconds_by_session_and_numbers():
    line = Line(holes=[(5, 7)])
    assert line.later(2) == 0
    assert line.later(1) == 1
    topic, payload, retained = line.published[0]
    assert (topic, retained) == ("earlybell/L3/P1/resend", False)
    assert json.loads(payload) == {"session": "s", "from": 5, "to": 7}


def test_it_is_asked_again_with_growing_pauses_and_then_given_up():
    line = Line(holes=[(5, 7)])
    line.later(sum(PAUSES) + 10)
    assert [asked.times for asked in line.asked] == [1, 2, 3, 4, 5]
    assert [asked.last for asked in line.asked] == [False, False, False, False, True]
    assert line.later(3600) == 0


def test_a_hole_that_closes_in_time_is_not_asked_for():
    line = Line(holes=[(5, 7)])
    line.later(1)
    line.station.holes.clear()
    assert line.later(60) == 0


def test_what_is_left_of_a_hole_is_asked_for():
    line = Line(holes=[(5, 7)])
    line.later(3)
    line.station.holes[:] = [(7, 7)]
    line.later(3)
    assert (line.asked[-1].first, line.asked[-1].to) == (7, 7)


def test_what_came_before_the_first_number_heard_is_never_asked_for():
    assert Line(unheard=[(0, 41)]).later(600) == 0


def test_without_a_connection_nothing_is_asked_and_no_asking_is_used_up():
    line = Line(holes=[(5, 7)])
    assert line.later(600, connected=False) == 0
    assert line.later(1) == 1


def test_while_its_own_broker_is_away_a_gateway_is_not_asked_and_no_asking_is_used_up():
    line = Line(holes=[(5, 7)])
    line.reached = False
    assert line.later(600) == 0
    line.reached = True
    assert line.later(1) == 1


def test_after_the_broker_lost_our_session_all_that_is_missing_is_asked_for_anew():
    line = Line(holes=[(5, 7)])
    line.later(sum(PAUSES) + 10)
    line.resend.forget()
    assert line.later(3) == 1


def deltas(*numbers: int) -> Story:
    """A station that says differences, under these numbers."""
    story = Story()
    story.load("F1", 1000)
    for seq in numbers:
        story.later(20).count({"F1": 10}, session="s", seq=seq, panels=1, counts="delta")
    return story


def test_a_gateway_must_not_forget_what_lies_behind_a_hole_in_its_differences():
    assert safe_to_forget(deltas(1, 2, 3).station()) == 3
    assert safe_to_forget(deltas(1, 2, 5, 6).station()) == 2
    assert safe_to_forget(deltas(1, 2, 4, 3).station()) == 4, "the hole was filled"


def test_with_totals_a_hole_costs_nothing_and_keeps_nothing_back():
    story = Story()
    for seq in (1, 2, 5):
        story.later(20).count({"F1": 10 * seq}, session="s", seq=seq, panels=seq)
    assert safe_to_forget(story.station()) == 5


def test_once_asking_has_ended_a_hole_keeps_nothing_back_any_more():
    story = deltas(1, 3)
    assert safe_to_forget(story.station()) == 1
    story.later(sum(PAUSES) + 1).count({"F1": 10}, session="s", seq=4, panels=1, counts="delta")
    assert safe_to_forget(story.station()) == 4
