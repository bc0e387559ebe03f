"""When to exchange what: against brute force and the vectors of interval stabbing."""

from __future__ import annotations

import random
from collections.abc import Callable
from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.plan import Terms, Window, fewest_stops, window_of

# Closed intervals and the fewest points that meet them all; textbook examples (from memory), each answer
# being the greatest number of intervals that do not overlap.
VECTORS = [
    ([(1, 3), (2, 5), (3, 6)], [3]),
    ([(1, 3), (2, 4), (5, 6)], [3, 6]),
    ([(0, 10), (3, 12), (11, 15)], [10, 15]),
    ([(10, 16), (2, 8), (1, 6), (7, 12)], [6, 12]),
    ([(1, 2), (2, 3), (3, 4), (4, 5)], [2, 4]),
    ([(0, 1), (2, 3), (4, 5), (6, 7)], [1, 3, 5, 7]),
    ([], []),
]
SPANS = st.lists(
    st.tuples(st.integers(0, 8), st.integers(0, 5)).map(lambda span: (span[0], span[0] + span[1])), max_size=7
)


def windows(spans: list[tuple[int, int]]) -> list[Window[int]]:
    return [Window(number, *span) for number, span in enumerate(spans)]


@pytest.mark.parametrize(("spans", "stops"), VECTORS)
def test_the_vectors_of_interval_stabbing(spans, stops):
    assert [stop.boundary for stop in fewest_stops(windows(spans))] == stops


@given(SPANS)
def test_no_plan_has_fewer_stops_and_every_window_is_met_once(spans):
    """Against trying every set of boundaries."""
    plan = fewest_stops(windows(spans))
    served = [window for stop in plan for window in stop.windows]
    assert sorted(window.what for window in served) == list(range(len(spans)))
    assert all(w.first <= stop.boundary <= w.last for stop in plan for w in stop.windows)
    candidates = range(15)
    fewest = next(
        size
        for size in range(len(spans) + 1)
        if any(
            all(any(first <= at <= last for at in chosen) for first, last in spans)
            for chosen in combinations(candidates, size)
        )
    )
    assert len(plan) == fewest


@given(SPANS)
def test_each_is_exchanged_at_the_last_stop_that_it_can_wait_for(spans):
    plan = fewest_stops(windows(spans))
    for stop in plan:
        for window in stop.windows:
            assert not any(stop.boundary < other.boundary <= window.last for other in plan)


def falling(left: float, usage: float) -> Callable[[int], float]:
    return lambda boundary: left - usage * boundary


def test_a_window_ends_a_margin_before_the_slot_may_be_empty():
    window = window_of("T2", sure=12, left_at=falling(14.0, 1.0), full=None, terms=Terms(margin=2))
    assert (window.first, window.last) == (10, 10)


def test_a_window_begins_when_little_enough_would_be_thrown_away():
    """40 parts of 400 may be left: 100 − 6 · 10 = 40."""
    window = window_of(
        "F1", sure=9, left_at=falling(100.0, 10.0), full=400.0, terms=Terms(margin=1, waste=0.1)
    )
    assert (window.first, window.last) == (6, 8)


@pytest.mark.parametrize("sure", [0, 1])
def test_what_may_not_last_for_the_panel_in_work_is_exchanged_at_once(sure):
    assert window_of("T2", sure=sure, left_at=falling(1.0, 1.0), full=60.0, terms=Terms()).last == 0


def test_a_fresh_supply_is_never_thrown_away_for_a_stop():
    window = window_of(
        "T2", sure=59, left_at=falling(60.0, 1.0), full=60.0, terms=Terms(margin=0, waste=0.05)
    )
    assert (window.first, window.last) == (57, 59)


def test_where_the_line_stands_anyway_a_stop_is_free_and_no_plan_has_fewer_others():
    """Against trying every set of boundaries, 2,000 small cases."""
    chance = random.Random(7)
    for _ in range(2_000):
        spans = [(at, at + chance.randint(0, 4)) for at in (chance.randint(0, 6) for _ in range(5))]
        free = {chance.randint(0, 9) for _ in range(chance.randint(0, 2))}
        plan = fewest_stops(windows(spans), free)
        others = [at for at in range(11) if at not in free]
        left = [span for span in spans if not any(span[0] <= at <= span[1] for at in free)]
        fewest = next(
            size
            for size in range(len(spans) + 1)
            if any(
                all(any(first <= at <= last for at in chosen) for first, last in left)
                for chosen in combinations(others, size)
            )
        )
        assert sum(stop.boundary not in free for stop in plan) == fewest
        assert sorted(window.what for stop in plan for window in stop.windows) == list(range(len(spans)))
        assert all(w.first <= stop.boundary <= w.last for stop in plan for w in stop.windows)
