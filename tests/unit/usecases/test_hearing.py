"""Since when the floor is heard: any break in it begins the time anew."""

from __future__ import annotations

import pytest

from service.domain.model import SECOND
from service.usecases.hearing import Hearing
from tests.support.story import START


def look(
    hearing: Hearing, seconds: float, *, steady: float | None = None, hears: bool = True
) -> float | None:
    since = hearing.look(START + round(seconds * SECOND), seconds if steady is None else steady, hears=hears)
    return None if since is None else (since - START) / SECOND


def test_it_is_heard_since_the_first_look_that_hears():
    hearing = Hearing(steps=True)
    assert look(hearing, 0, hears=False) is None
    assert [look(hearing, second) for second in (1, 2, 3)] == [1, 1, 1]


def test_a_lost_connection_begins_it_anew():
    hearing = Hearing(steps=True)
    look(hearing, 0)
    assert look(hearing, 1, hears=False) is None
    assert look(hearing, 2) == 2


def test_a_process_that_was_held_up_heard_nothing_meanwhile():
    hearing = Hearing(steps=True)
    look(hearing, 0)
    assert look(hearing, 30) == 30
    assert not hearing.was_set


@pytest.mark.parametrize("step", [7200, -7200])
def test_a_clock_that_was_set_begins_it_anew(step):
    hearing = Hearing(steps=True)
    look(hearing, 0)
    assert look(hearing, 1 + step, steady=1) == 1 + step
    assert hearing.was_set
    look(hearing, 2 + step, steady=2)
    assert not hearing.was_set


def test_a_clock_of_the_messages_may_run_as_it_likes():
    hearing = Hearing(steps=False)
    look(hearing, 0)
    assert look(hearing, 600, steady=1) == 0
