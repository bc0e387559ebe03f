"""Sampled lamps against the flash rates of IEC 60073: slow 0.4 to 0.8 Hz, fast 1.4 to 2.8 Hz, lit about as
long as dark, or 1 to 1.5 (as several public pages quote them; the standard itself wasn't at hand).

Only off, on and flashing are told apart: nothing here needs the rate, and looks once a second couldn't tell.
"""

from __future__ import annotations

from itertools import pairwise

import pytest

from service.domain.events import Lamp
from service.domain.model import SECOND
from service.wire.lamps import Seen, look_at, settle, steady_at, tell

RATES = (0.4, 0.8, 1.4, 2.8)


def looks(lamp: Seen, lit, *, every: float, seconds: float, begin: float = 0.0) -> list[Lamp | None]:
    """What is known after each look at a lamp that is lit when ``lit`` of a time in seconds says so; time
    passes in between, too."""
    known: list[Lamp | None] = []
    for number in range(int(seconds / every)):
        at = begin + number * every
        due = steady_at(lamp)
        if due is not None and due < at * SECOND:
            settle(lamp, due)
            known.append(lamp.state)
        look_at(lamp, lit(at), round(at * SECOND))
        known.append(lamp.state)
    return known


def square(rate: float, *, lit: float = 0.5, phase: float = 0.0):
    return lambda at: (at * rate + phase) % 1 < lit


@pytest.mark.parametrize("phase", [0.0, 0.3, 0.45, 0.9])
@pytest.mark.parametrize("lit", [0.5, 0.4])
@pytest.mark.parametrize("rate", [*RATES, 1.1])
def test_a_flashing_lamp_looked_at_five_times_a_second_is_flashing_and_nothing_else(rate, lit, phase):
    """Also between slow and fast, where no meaning is laid down: flashing it is all the same."""
    known = looks(Seen(), square(rate, lit=lit, phase=phase), every=0.2, seconds=20)
    assert known[-1] == "flashing"
    assert set(known) == {None, "flashing"}
    assert known.index("flashing") * 0.2 <= 2.5 + 0.2


@pytest.mark.parametrize("phase", [0.0, 0.3, 0.45, 0.9])
@pytest.mark.parametrize("rate", RATES)
def test_looks_once_a_second_never_take_a_flashing_lamp_for_a_steady_one(rate, phase):
    """2.8 Hz looks like 0.2 Hz then: no rate can be told, yet that it changes can."""
    known = looks(Seen(), square(rate, phase=phase), every=1.0, seconds=60)
    assert set(known) == {None, "flashing"}


def test_looks_that_come_several_at_once_are_no_finer_than_their_messages():
    """Ten a second, told every two seconds: between two messages a lamp that flashes isn't steady."""
    lamp, flashes, known = Seen(), square(1.4), set()
    for message in range(1, 30):
        at = 2 * message * SECOND
        due = steady_at(lamp)
        if due is not None and due < at:
            settle(lamp, due)
        known.add(lamp.state)
        for number in range(20):
            look_at(lamp, flashes(2 * message - 2 + number / 10), at)
    assert known == {None, "flashing"}


@pytest.mark.parametrize(("minutes", "state"), [(1, None), (0.006, "flashing")])
def test_what_comes_late_and_all_at_once_is_told_by_the_times_of_its_source(minutes, state):
    """As after an outage, from a session that the broker kept."""
    lamp = Seen()
    for number in range(6):
        look_at(lamp, number % 2 == 0, 3600 * SECOND + number, round(number * minutes * 60 * SECOND))
    assert lamp.state == state


def test_a_clock_of_a_source_that_goes_back_hides_no_flashing():
    lamp = Seen()
    for number in range(3):
        look_at(lamp, number % 2 == 0, number * SECOND // 2, (3600 - 1800 * number) * SECOND)
    assert lamp.state == "flashing"


def test_a_look_that_comes_twice_makes_no_later_one_finer():
    """What was told twice in the beginning is nothing that the looks of now are close together."""
    lamp = Seen()
    for _ in range(2):
        look_at(lamp, True, 0)
    flashes = square(0.4, phase=0.39 * 0.4)
    assert set(looks(lamp, flashes, every=1.0, seconds=60, begin=1)[10:]) == {"flashing"}


@pytest.mark.parametrize("rate", RATES)
def test_a_lamp_whose_changes_alone_are_told_is_flashing(rate):
    lamp = Seen()
    known: list[Lamp | None] = []
    for change in range(12):
        look_at(lamp, change % 2 == 0, round(change * SECOND / (2 * rate)))
        known.append(lamp.state)
    assert known == [None, None, *["flashing"] * 10]


def test_dark_is_off_only_after_more_than_a_second_and_a_half():
    """The slowest that flashes is dark for 1.5 s: 0.4 Hz at 1 to 1.5."""
    lamp = Seen()
    looks(lamp, lambda at: True, every=0.2, seconds=10)
    assert lamp.state == "on"
    known = looks(lamp, lambda at: False, every=0.2, seconds=5, begin=10)
    dark = known.index("off") * 0.2
    assert 1.5 < dark <= 2.1
    assert set(known) == {"on", "off"}


@pytest.mark.parametrize("lit", [False, True])
def test_time_alone_makes_a_lamp_steady(lit):
    lamp = Seen()
    look_at(lamp, lit, 7 * SECOND)
    assert lamp.state is None
    due = steady_at(lamp)
    assert due is not None
    assert due - 7 * SECOND > 1.5 * SECOND
    settle(lamp, due - 1)
    assert lamp.state is None
    settle(lamp, due)
    assert lamp.state == ("on" if lit else "off")
    assert steady_at(lamp) is None


def test_a_lamp_that_stops_flashing_is_steady_soon_after():
    lamp = Seen()
    looks(lamp, square(1.4), every=0.2, seconds=10)
    known = looks(lamp, lambda at: False, every=0.2, seconds=5, begin=10)
    assert [one for one, other in pairwise(known) if one != other] == ["flashing"]
    assert known[-1] == "off"


def test_a_lamp_that_is_seldom_switched_is_not_flashing():
    lamp = Seen()
    known = looks(lamp, lambda at: at % 20 < 10, every=1.0, seconds=100)
    assert set(known) == {None, "on", "off"}


def test_a_source_that_once_said_flashing_is_believed_at_once():
    lamp = Seen()
    tell(lamp, "flashing")
    states = []
    for lit, at in ((False, SECOND), (True, SECOND + 1)):
        look_at(lamp, lit, at)
        states.append(lamp.state)
    assert states == ["off", "on"]
    assert steady_at(lamp) is None
