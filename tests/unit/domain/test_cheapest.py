"""The cheapest stops, against trying every set of them."""

from __future__ import annotations

import random
from itertools import combinations

import numpy as np

from service.domain.cheapest import cheapest_stops


def valley(chance: random.Random, boundaries: int) -> list[float]:
    """The costs of a window: down to its lowest point and up again, infinite outside."""
    first = chance.randrange(boundaries)
    last = chance.randrange(first, boundaries)
    lowest = chance.randint(first, last)
    costs = [np.inf] * boundaries
    for way in (range(lowest, first - 1, -1), range(lowest, last + 1)):
        height = 0.0
        for at in way:
            costs[at] = height
            height += chance.randint(0, 5)
    return costs


def total(costs: np.ndarray, stop_costs: np.ndarray, stops: tuple[int, ...]) -> float:
    if not stops:
        return np.inf
    return float(stop_costs[list(stops)].sum() + costs[:, list(stops)].min(axis=1).sum())


def test_no_set_of_stops_is_cheaper():
    """1,000 small cases, stops that cost nothing among them."""
    chance = random.Random(3)
    for _ in range(1_000):
        boundaries = chance.randint(1, 7)
        costs = np.array([valley(chance, boundaries) for _ in range(chance.randint(1, 6))])
        stop_costs = np.array([chance.choice([0.0, 1.0, 3.0, 7.0]) for _ in range(boundaries)])
        sets = (chosen for size in range(boundaries + 1) for chosen in combinations(range(boundaries), size))
        cheapest = min(total(costs, stop_costs, chosen) for chosen in sets)
        assert total(costs, stop_costs, tuple(cheapest_stops(costs, stop_costs))) == cheapest


def test_with_equal_costs_it_is_the_fewest():
    costs = np.array([[0.0, 0.0, np.inf, np.inf], [np.inf, 0.0, 0.0, np.inf], [np.inf, np.inf, np.inf, 0.0]])
    assert len(cheapest_stops(costs, np.ones(4))) == 2


def test_parts_that_cost_more_than_a_stop_get_a_stop_more():
    waste = np.array([[10.0, 0.0, np.inf], [np.inf, 10.0, 0.0]])
    assert cheapest_stops(waste, np.full(3, 12.0)) == [1]
    assert cheapest_stops(waste, np.full(3, 8.0)) == [1, 2]
