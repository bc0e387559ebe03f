"""Hourly figures added up over a shift or a week."""

from __future__ import annotations

import itertools
from random import Random

import pytest

from service.domain.hourly import HOUR, LineHour, SlotHour, StationHour
from service.domain.sums import summed


def hour(number: int, line: str = "L3", **more: object) -> LineHour:
    station = StationHour(
        worked_ms=1_000_000,
        stood_ms={"supply": 90_000, "fault": 30_000, "held": 500_000},
        cost_ms={"supply": 60_000, "fault": 30_000, "changeover": 70_000},
        stops={"supply": 2, "held": 9},
        slots={"F07": SlotHour(part="R-10K", kind="tape", placed=100, lost=4, cost_ms=60_000, stops=2)},
    )
    known: dict[str, object] = {"panels": 10, "opened": 1, "in_time": 0.5, "late": 0.5, "messages": 3}
    return LineHour(line=line, begin=number * HOUR, stations={"P1": station}, **(known | more))  # type: ignore[arg-type]


def test_whole_hours_add_up_and_only_what_cost_the_line_time_was_lost() -> None:
    sums = summed([hour(1), hour(2), hour(2, "L4"), hour(3)], HOUR, 3 * HOUR)
    assert (sums.cost_ms, sums.stops) == ({"supply": 180_000, "fault": 90_000}, {"supply": 6})
    assert (sums.lost_ms, sums.panels, sums.opened, sums.messages) == (270_000, 30, 3, 9)
    assert sums.worked_ms == 3_000_000
    slot = sums.slots["L3", "P1", "F07"]
    assert (slot.part, slot.placed, slot.lost, slot.cost_ms, slot.stops) == ("R-10K", 200, 8, 120_000, 4)


def test_of_an_hour_at_the_edge_its_share_counts() -> None:
    sums = summed([hour(1), hour(2)], HOUR + HOUR // 4, 2 * HOUR + HOUR // 2)
    assert sums.cost_ms["supply"] == pytest.approx(75_000)
    assert sums.panels == pytest.approx(12.5)


def test_what_nobody_knows_stays_unknown() -> None:
    sums = summed([hour(1, panels=None, messages=None)], HOUR, 2 * HOUR)
    assert (sums.panels, sums.messages) == (None, None)
    assert summed([], 0, HOUR).panels is None


def test_the_sums_of_pieces_are_the_sum_of_the_whole() -> None:
    chance = Random(8)
    hours = [hour(number, panels=chance.randrange(50)) for number in range(24)]
    for _ in range(200):
        cuts = sorted({0, 24 * HOUR, *(chance.randrange(24 * HOUR) for _ in range(5))})
        pieces = [summed(hours, since, until) for since, until in itertools.pairwise(cuts)]
        whole = summed(hours, 0, 24 * HOUR)
        assert sum(each.panels or 0 for each in pieces) == pytest.approx(whole.panels)
        assert sum(each.lost_ms for each in pieces) == pytest.approx(whole.lost_ms)
