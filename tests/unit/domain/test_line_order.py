"""In which order panels pass the stations of a line."""

from __future__ import annotations

from service.domain.line_order import line_order
from tests.support.tracks import MadeLine, ordered

FILLED = (ordered(0.0, "A", "running"), ordered(421.0, "A", "finished"), ordered(700.0, "B", "running"))


def test_who_made_the_first_panel_of_an_order_first_is_before_the_others():
    track = MadeLine(stations=("X", "A", "M"), pause={20: 320.0}, orders=FILLED).track().lines["L1"]
    assert line_order(track) == ["X", "A", "M"]


def test_where_no_order_was_heard_the_names_have_to_do():
    track = MadeLine(stations=("P10", "P2", "P1")).track().lines["L1"]
    assert line_order(track) == ["P1", "P2", "P10"]


def test_what_is_configured_goes_before_what_was_seen():
    track = MadeLine(stations=("X", "A", "M"), pause={20: 320.0}, orders=FILLED).track().lines["L1"]
    assert line_order(track, ["M", "X", "nobody"]) == ["M", "X", "A"]
