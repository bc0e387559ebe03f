"""Whether planned exchanges came when they were planned: made-up plans of a station, a panel each 20 s."""

from __future__ import annotations

from typing import Any

import pytest

from service.domain.model import PlannedExchange, PlannedStop
from service.domain.plan_kept import Exchange, Kept, plan_kept
from service.domain.track import Cause, LineTrack, OrderSet, Stop
from tests.support.story import START
from tests.unit.domain.test_warned import at, loaded, track


def stop(panel: int, loading: str = "a", **more: Any) -> PlannedStop:
    return PlannedStop(at={"P1": panel}, exchanges=(PlannedExchange("P1", "T2", loading),), **more)


def line(
    plans: list[Any], *, exchanged: float | None = None, orders: list[OrderSet] | None = None
) -> LineTrack:
    found = track(supplies=[] if exchanged is None else [loaded(exchanged)]).lines["L3"]
    found.plans, found.orders = plans, orders or []
    return found


def only(found: LineTrack) -> Exchange:
    (one,) = plan_kept(found, at(100)).exchanges
    return one


@pytest.mark.parametrize(
    ("exchanged", "kept", "off"),
    [(50.5, Kept.IN_IT, 0), (51.5, Kept.IN_IT, 1), (44.5, Kept.EARLIER, -6), (57.5, Kept.LATER, 7)],
)
def test_an_exchange_is_held_against_the_panel_of_its_stop(exchanged: float, kept: Kept, off: int) -> None:
    """Planned at the end of panel 50; a panel more is the count that says it late."""
    one = only(line([(START, (stop(50),))], exchanged=exchanged))
    assert (one.kept, one.off, one.planned_panel, one.moved) == (kept, off, 50, 0)


def test_the_stop_it_belonged_to_last_before_it_happened_counts() -> None:
    plans = [(at(1), (stop(50),)), (at(10), (stop(60),)), (at(61), (stop(80, "b"),))]
    one = plan_kept(line(plans, exchanged=60.2), at(100)).exchanges[0]
    assert (one.kept, one.off, one.planned_panel, one.moved, one.planned_at) == (Kept.IN_IT, 0, 60, 1, at(1))


@pytest.mark.parametrize(("panel", "kept"), [(50, Kept.NEVER), (120, Kept.AHEAD), (100, Kept.AHEAD)])
def test_what_did_not_happen_was_forgotten_or_is_still_ahead(panel: int, kept: Kept) -> None:
    one = only(line([(START, (stop(panel),))]))
    assert (one.kept, one.off, one.exchanged_at) == (kept, None, None)


def test_what_a_later_plan_no_longer_has_was_given_up() -> None:
    assert only(line([(START, (stop(50),)), (at(20), ())])).kept is Kept.DROPPED


def test_a_stop_that_goes_with_a_break_is_where_the_station_was_when_it_began() -> None:
    """Planned for panel 50, but the break began at panel 53; exchanged in it."""
    one = only(line([(START, (stop(50, rest=at(53)),))], exchanged=53.5))
    assert (one.kept, one.off, one.planned_panel, one.with_break) == (Kept.IN_IT, 0, 53, True)


def test_a_stop_at_a_changeover_is_where_the_order_ended() -> None:
    ended = OrderSet(at=at(56), order="66401", recipe="r", panels=56, state="finished")
    one = only(line([(START, (stop(50, order="66401"),))], exchanged=56.5, orders=[ended]))
    assert (one.kept, one.planned_panel, one.with_order) == (Kept.IN_IT, 56, "66401")


def test_stops_for_want_of_a_supply_are_told_apart_by_whether_a_plan_had_them() -> None:
    stops = [
        Stop(
            line="L3",
            station="P1",
            since=at(panel),
            until=at(panel + 2),
            cause=Cause.SUPPLY,
            confidence=1.0,
            slot=slot,
        )
        for panel, slot in ((30, "T2"), (40, "F1"))
    ]
    found = plan_kept(line([(at(10), (stop(50),))]), at(100), stops)
    assert (found.supply_stops, found.foreseen) == (2, 1)
