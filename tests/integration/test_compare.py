"""The same shift by the towers and with the bell, over a real broker, service and receiver."""

from __future__ import annotations

import io

import pytest

from simulators.compare import by_the_tower, compare
from simulators.scenario import load_scenario, shipped
from simulators.show import SERVICE


def test_a_short_shift_is_compared_and_both_ran_the_same_orders():
    scenario = load_scenario(shipped()["counts-and-lamps"])
    out = io.StringIO()
    assert compare(scenario, seed=41, hours=0.3, speed=90.0, out=out) == 0
    said = out.getvalue()
    alone = by_the_tower(scenario, seed=41, hours=0.3)
    (panels,) = (line.split() for line in said.splitlines() if "panels made" in line)
    assert int(panels[-2]) == alone.panels
    assert abs(int(panels[-1]) - alone.panels) < 0.2 * alone.panels
    (changes,) = (line.split() for line in said.splitlines() if "changes delivered" in line)
    assert int(changes[-1]) > 0, "warnings came through the outlets"


def test_a_service_that_does_not_come_up_ends_the_comparison_with_its_last_words():
    scenario = load_scenario(shipped()["counts-and-lamps"])
    out = io.StringIO()
    service = (*SERVICE[:1], "no-such-command")
    assert compare(scenario, seed=41, hours=0.1, speed=60.0, out=out, service=service) == 1
    assert "The comparison ends: the service ended by itself with code 2" in out.getvalue()


@pytest.mark.parametrize("seed", [1, 2])
def test_the_shift_by_the_towers_is_the_same_every_time(seed):
    scenario = load_scenario(shipped()["counts-and-lamps"])
    first, again = (by_the_tower(scenario, seed=seed, hours=0.5) for _ in range(2))
    assert first == again
