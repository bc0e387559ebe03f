"""Hour by hour a simulated shift adds up to what its review says: time, panels, losses."""

from __future__ import annotations

from collections import Counter
from typing import Any

import msgspec
import pytest

from service.domain.hourly import LineHour
from service.usecases.review import review
from simulators.scenario import load_scenario, shipped
from tests.support.shifts import shift


@pytest.fixture(scope="module")
def report() -> dict[str, Any]:
    return review(shift(load_scenario(shipped()["demo"]), hours=2.5, seed=5).lines)


@pytest.fixture(scope="module")
def hours(report: dict[str, Any]) -> list[LineHour]:
    return msgspec.convert(report["hours"], list[LineHour])


def test_the_cost_of_all_hours_is_what_the_review_says_was_lost(
    report: dict[str, Any], hours: list[LineHour]
) -> None:
    costs: Counter[str] = Counter()
    for hour in hours:
        for station in hour.stations.values():
            costs.update(station.cost_ms)
    assert len(hours) == 3
    assert costs == {each["cause"]: each["lost_ms"] for each in report["lost"]["by_cause"]}


def test_each_station_s_time_and_panels_are_those_of_the_review(
    report: dict[str, Any], hours: list[LineHour]
) -> None:
    (line,) = report["lines"]
    for station in line["stations"]:
        each = [hour.stations[station] for hour in hours]
        whole = sum(one.worked_ms + sum(one.stood_ms.values()) for one in each)
        assert whole == line["times"]["stations"][station]["wall_ms"]
        assert sum(one.panels or 0 for one in each) == line["made"][station]
    supplies = Counter(each["cause"] for each in report["stops"] if each["cause"] in ("supply", "exchange"))
    counted = Counter[str]()
    for hour in hours:
        for one in hour.stations.values():
            counted.update({cause: one.stops.get(cause, 0) for cause in supplies})
    assert counted == supplies
