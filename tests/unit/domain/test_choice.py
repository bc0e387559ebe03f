"""Which settings are best: what is luck is no difference, and people's patience has a bound."""

from __future__ import annotations

import random
from statistics import fmean
from typing import Any

import pytest

from service.domain.choice import Option, alike, front, interval, recommend, stands_less

NIST = ((9.261460 - 0.022789,) * 97, (9.261460,), (9.261460 + 0.022789,) * 97)
"""195 values with mean and deviation of ZARR13.DAT: NIST/SEMATECH e-Handbook 1.3.5.2, from memory."""


def option(*stopped: float, messages: float = 1.0, needless: int = 0, **more: Any) -> Option:
    return Option(stopped=stopped, messages=messages, needless=needless, **more)


def test_the_mean_lies_where_the_handbook_says() -> None:
    found = interval([value for group in NIST for value in group])
    assert (found.low, found.high) == pytest.approx((9.258242, 9.264679), abs=2e-6)


def test_a_single_try_says_nothing_of_its_spread() -> None:
    assert (interval([4.0]).low, interval([4.0]).high) == (4.0, 4.0)


def test_settings_are_compared_try_by_try() -> None:
    """Each try is worse by one; beside one another they overlap."""
    luck = [10.0, 30.0, 20.0, 40.0]
    less, more = option(*luck), option(*(each + 1.0 + each / 1000 for each in luck))
    assert stands_less(less, more)
    assert interval(less.stopped).high > interval(more.stopped).low


def test_what_may_be_luck_is_no_difference() -> None:
    one, other = option(10.0, 30.0, 20.0), option(12.0, 27.0, 22.0)
    assert not stands_less(one, other)
    assert not stands_less(other, one)
    assert front([one, other]) == [0]


def test_whoever_sends_more_must_stand_less() -> None:
    quiet, loud, in_vain = (
        option(9.0, 9.1, 9.2),
        option(1.0, 1.1, 1.2, messages=3),
        option(9.0, 9.1, 9.2, messages=2),
    )
    assert front([quiet, loud, in_vain]) == [0, 1]


def test_fewer_needless_warnings_are_worth_a_look() -> None:
    assert front([option(5.0, 5.1, needless=3), option(5.0, 5.1, messages=2.0, needless=1)]) == [0, 1]


def test_the_fewest_stops_that_people_can_follow_are_recommended() -> None:
    some = option(5.0, 5.1, 5.2, messages=2)
    least = option(1.0, 1.1, 1.2, messages=9, too_much=True)
    many = option(9.0, 9.1, 9.2, messages=1)
    assert recommend([some, least, many]) == 0


def test_where_nobody_could_follow_any_the_fewest_messages_are_recommended() -> None:
    loud, louder = option(5.0, 5.1, messages=8, too_much=True), option(1.0, 1.1, messages=9, too_much=True)
    assert recommend([loud, louder]) == 0
    assert recommend([]) is None


def test_of_those_that_differ_by_luck_the_quietest_is_recommended() -> None:
    luck = option(10.0, 30.0, 20.0, messages=3.0), option(12.0, 27.0, 22.0, messages=2.0)
    assert recommend(luck) == 1
    assert alike(luck, 1, range(2)) == [0, 1]


def test_of_equals_the_settings_in_force_stay() -> None:
    assert recommend([option(3.0, 4.0), option(3.0, 4.0, usual=True)]) == 1


def test_of_equals_the_plan_with_the_fewest_stops_is_recommended() -> None:
    assert recommend([option(3.0, 4.0, planned=2.0, usual=True), option(3.0, 4.0, planned=1.5)]) == 1


def test_whatever_isnt_worth_a_look_is_outdone_by_something_that_is() -> None:
    chance = random.Random(5)
    for _ in range(300):
        options = [
            option(
                *(chance.choice((0, 4, 8)) + chance.random() for _ in range(4)),
                messages=chance.randint(1, 4),
                needless=chance.randint(0, 2),
            )
            for _ in range(chance.randint(1, 8))
        ]
        best = front(options)
        for number, each in enumerate(options):
            better = [
                other
                for other in best
                if options[other].messages <= each.messages
                and options[other].needless <= each.needless
                and not stands_less(each, options[other])
            ]
            assert (number in best) == (better == [number])
        chosen = recommend(options)
        assert chosen in best
        least = min(best, key=lambda one: fmean(options[one].stopped))
        assert chosen in alike(options, least, best)
