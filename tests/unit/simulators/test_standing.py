"""Which exchanges of trays stopped a line on purpose, from a few events told by hand."""

from __future__ import annotations

from typing import Literal

from simulators.events import Cause, OrderSet, PanelMade, Stopped
from simulators.standing import Standing


class Line:
    def __init__(self) -> None:
        self.standing = Standing()
        self.order(0.0, "running")

    def order(self, at: float, state: Literal["running", "finished"]) -> None:
        self.standing.see("L1", OrderSet(at=at, number=1, recipe="R", panels=100, state=state))

    def panel(self, at: float, station: str = "P2") -> None:
        none: dict[str, int] = {}
        made = PanelMade(at=at, station=station, panels=1, left=none, counted=none, unseen=none, short=none)
        self.standing.see("L1", made)

    def halt(self, since: float, at: float, *, station: str = "P2", cause: Cause = "exchange") -> None:
        slot = "T1" if cause in {"exchange", "supply"} else None
        self.standing.see("L1", Stopped(at=at, station=station, cause=cause, slot=slot, since=since))

    def stops(self) -> list[tuple[float, float, int]]:
        return [(each.since, each.until, each.exchanges) for each in self.standing.stops]


def test_exchanges_one_after_the_other_in_one_halt_are_one_stop():
    line = Line()
    line.panel(10.0)
    line.halt(10.0, 40.0)
    line.halt(40.0, 70.0)
    assert line.stops() == [(10.0, 70.0, 2)]
    assert line.standing.minutes == 1.0


def test_exchanges_with_a_panel_between_them_are_two_stops():
    line = Line()
    line.panel(10.0)
    line.halt(10.0, 40.0)
    line.panel(60.0)
    line.halt(60.0, 90.0)
    assert line.stops() == [(10.0, 40.0, 1), (60.0, 90.0, 1)]


def test_exchanges_at_several_stations_at_the_same_time_are_one_stop():
    line = Line()
    line.panel(10.0, "P1")
    line.panel(15.0, "P2")
    line.halt(10.0, 40.0, station="P1")
    line.halt(15.0, 50.0, station="P2")
    line.halt(52.0, 70.0, station="P3")
    assert line.stops() == [(10.0, 70.0, 3)]


def test_exchanges_of_two_lines_are_two_stops():
    line = Line()
    line.halt(10.0, 40.0)
    line.standing.see("L2", Stopped(at=50.0, station="P2", cause="exchange", slot="T1", since=20.0))
    assert [each.line for each in line.standing.stops] == ["L1", "L2"]


def test_what_is_exchanged_while_the_line_has_no_order_stops_nothing():
    line = Line()
    line.panel(10.0)
    line.order(10.0, "finished")
    line.halt(10.0, 40.0)
    line.halt(40.0, 60.0)
    line.order(300.0, "running")
    line.panel(330.0)
    line.halt(330.0, 360.0)
    assert line.stops() == [(330.0, 360.0, 1)]
    assert line.standing.at_rest == 2


def test_what_is_exchanged_in_a_break_or_beside_an_empty_slot_stops_nothing():
    line = Line()
    line.halt(100.0, 200.0, cause="break")
    line.halt(200.0, 230.0)
    line.panel(260.0)
    line.halt(260.0, 300.0, cause="supply")
    line.halt(300.0, 330.0)
    line.halt(330.0, 350.0)
    assert line.stops() == []
    assert line.standing.at_rest == 3


def test_what_is_exchanged_while_a_station_is_starved_is_a_stop_all_the_same():
    """Panels might have come at any moment."""
    line = Line()
    line.halt(100.0, 200.0, cause="starved")
    line.halt(200.0, 230.0)
    assert line.stops() == [(200.0, 230.0, 1)]
