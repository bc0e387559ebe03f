"""Stretches of panels put together and taken apart, against sets; and asked for few at a time."""

from __future__ import annotations

from itertools import pairwise
from random import Random
from typing import Any

from service.desk import Lookup
from service.usecases.lots import merged, without
from tests.support.lotbook import lotbook

Ranges = list[tuple[int, int]]


def panels(ranges: Any) -> set[int]:
    pairs = [each if isinstance(each, tuple) else (each["first"], each["last"]) for each in ranges]
    return {panel for first, last in pairs for panel in range(first, last + 1)}


def some(chance: Random) -> Ranges:
    return [(first, first + chance.randrange(6)) for first in chance.sample(range(40), chance.randrange(7))]


def test_stretches_that_touch_are_one_and_those_that_are_taken_out_are_gone() -> None:
    for seed in range(500):
        chance = Random(seed)
        ones, others = merged(some(chance)), merged(some(chance))
        left = without(ones, others)
        assert panels(left) == panels(ones) - panels(others)
        for found in (ones, left):
            assert all(first <= last for first, last in found)
            assert all(before[1] < after[0] for before, after in pairwise(found))
        assert all(before[1] + 1 < after[0] for before, after in pairwise(ones))


def test_few_at_a_time_are_the_same_as_all_at_once() -> None:
    for asked in ({"order": "8842", "panel": 40}, {"slot": "F07"}, {"word": "A77"}):
        book, whole = lotbook(), [stay["id"] for stay in lotbook().stays(Lookup(**asked))]
        after, found = None, []
        while piece := book.stays(Lookup(limit=1, after=after, **asked)):
            found += [stay["id"] for stay in piece]
            after = str(found[-1])
        assert found == whole
        assert [stay["id"] for stay in book.all_stays(Lookup(**asked))] == whole


def test_sure_and_possible_panels_of_all_slots_together_are_those_of_each() -> None:
    got: Any = lotbook().panels(Lookup(lot="A77", line="L3"))
    stays: Any = lotbook().stays(Lookup(lot="A77", line="L3", order="8842"))
    [order] = [each for each in got["orders"] if each["order"] == "8842"]
    told: dict[str, set[int]] = {"sure": set(), "possible": set()}
    for span in (span for stay in stays for span in stay["panels"]):
        for which in told:
            told[which] |= panels([span[which]] if span[which] is not None else [])
    assert panels(order["sure"]) == told["sure"]
    assert panels(order["possible"]) == told["possible"] - told["sure"]
