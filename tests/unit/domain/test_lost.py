"""What was lost while stations stood."""

from __future__ import annotations

from service.domain.lost import Lost, Step, lost_by_lines, lost_in
from service.domain.stops import stretches
from service.domain.track import Cause
from tests.support.tracks import MadeLine


def lost(line: MadeLine) -> Lost:
    return lost_by_lines(stretches(line.track(until=1200.0)), {"L1": ["P1", "P2", "P3"]})


def test_a_line_loses_what_its_last_station_stood_by_the_stop_that_began_it():
    found = lost(MadeLine(out={("P1", 20): 180.0}))
    assert found.by_cause[Cause.SUPPLY] == 180_000
    (slot,) = found.by_slot
    assert (slot.line, slot.station, slot.slot, slot.part, slot.kind) == ("L1", "P1", "F1", "R-10K", "tape")
    assert (slot.out, slot.exchanged, slot.milliseconds, slot.stops) == (180_000, 0, 180_000, 1)
    assert (found.by_part, found.by_kind) == ({"R-10K": 180_000}, {"tape": 180_000})


def test_what_the_way_between_two_stations_made_up_for_is_not_lost():
    """A stop is shorter behind the panels that were on the way."""
    long = lost(MadeLine(out={("P3", 15): 100.0, ("P1", 20): 60.0}))
    assert sum(slot.milliseconds for slot in long.by_slot if slot.station == "P1") < 60_000


def test_a_supply_that_ran_out_and_one_exchanged_in_time_are_lost_to_their_slots():
    found = lost(MadeLine(out={("P3", 15): 100.0}, exchange={("P3", 30): 40.0, ("P3", 40): 30.0}))
    assert [(slot.slot, slot.out, slot.exchanged, slot.stops) for slot in found.by_slot] == [
        ("F1", 100_000, 0, 1),
        ("T1", 0, 70_000, 2),
    ]
    assert found.by_kind == {"tape": 100_000, "tray": 70_000}


def test_a_waterfall_falls_from_all_time_to_what_was_worked():
    found = lost(MadeLine(fault={("P3", 15): 50.0}, exchange={("P3", 30): 40.0}))
    assert found.waterfall == [
        Step("time", 1_200_000, total=True),
        Step("planned", 1_200_000, total=True),
        Step("exchange", 40_000),
        Step("fault", 50_000),
        Step("starved", 40_000),
        Step("worked", 1_070_000, total=True),
    ]


def test_of_no_time_nothing_is_lost():
    found = lost_in([])
    assert (found.milliseconds, found.worked, found.by_slot) == (0, 0, [])
