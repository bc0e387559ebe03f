"""The figures of each hour on either database: they come back as they were, an hour that is saved again is
replaced, and only the one in charge writes."""

from __future__ import annotations

import pytest

from service.domain.hourly import HOUR, LineHour, SlotHour, StationHour
from service.lease import LeaseLost
from service.store import Store

FULL = LineHour(
    line="Linie Süd\N{SNOWMAN}",
    begin=5 * HOUR,
    panels=42,
    opened=3,
    in_time=1.75,
    late=0.25,
    missed=1,
    messages=4,
    stations={
        "P1": StationHour(
            panels=42,
            placed=900,
            lost=None,
            worked_ms=3_000_000,
            stood_ms={"supply": 600_000},
            stops={"supply": 2},
            cost_ms={"supply": 500_000},
            slots={"F07": SlotHour(part="R-10K", kind="tape", placed=40, lost=2, cost_ms=500_000, stops=2)},
        )
    },
)


def bare(line: str, hour: int) -> LineHour:
    return LineHour(line=line, begin=hour * HOUR)


def save(store: Store, *figures: LineHour, hour: int, rolled: int | None = None) -> None:
    store.hours.save(hour * HOUR, figures, rolled=(hour + 1 if rolled is None else rolled) * HOUR)


def test_figures_come_back_as_they_were_with_what_is_not_known(store: Store) -> None:
    assert (store.hours.rolled(), store.hours.first()) == (None, None)
    save(store, FULL, hour=5)
    assert store.hours.between(0, 6 * HOUR) == [FULL]
    assert (store.hours.rolled(), store.hours.first()) == (6 * HOUR, 5 * HOUR)


def test_they_are_read_by_time_in_order_of_lines(store: Store) -> None:
    save(store, bare("L2", 2), hour=2)
    save(store, bare("L2", 1), bare("L1", 1), hour=1)
    save(store, bare("L1", 3), hour=3)

    found = [(each.line, each.begin // HOUR) for each in store.hours.between(HOUR, 3 * HOUR)]
    assert found == [("L1", 1), ("L2", 1), ("L2", 2)]


def test_an_hour_that_is_saved_again_is_replaced_and_one_without_lines_moves_the_mark(store: Store) -> None:
    save(store, bare("L1", 1), bare("L2", 1), hour=1)
    save(store, bare("L2", 1), hour=1)
    assert [each.line for each in store.hours.between(0, 9 * HOUR)] == ["L2"]
    save(store, hour=2)
    assert store.hours.rolled() == 3 * HOUR
    save(store, hour=4, rolled=3)
    assert store.hours.rolled() == 3 * HOUR


def test_only_the_one_in_charge_saves(store: Store) -> None:
    lease = store.leases.take(owner="a", life="a")
    assert lease is not None
    mine = store.under(lease.term)
    save(mine, bare("L1", 1), hour=1)
    store.leases.release(lease)
    store.leases.take(owner="b", life="b")
    with pytest.raises(LeaseLost):
        save(mine, bare("L1", 1), hour=1)
    assert len(mine.hours.between(0, 9 * HOUR)) == 1
