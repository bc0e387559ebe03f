"""Why stations stood: hand-made stories of a line of three."""

from __future__ import annotations

from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest

from service.domain.model import SECOND
from service.domain.policy import Policy, Shift, SlotRule, TowerRule
from service.domain.reviewing import LineOrder, ReviewRules
from service.domain.said import put
from service.domain.stops import stretches
from service.domain.track import Cause, Stop, Track
from tests.support.tracks import MadeLine, link, loaded, ordered, stood, tower
from tests.support.tracks import at as moment

REST = Policy(shifts=(Shift(start="06:00", end="14:00", breaks=("06:08-06:13",)),))


def found(track: Track) -> dict[str, list[tuple[Cause, float, float]]]:
    """The stops of each station after the line filled and before it ran empty."""
    return {
        name: [each for each in stood(some) if 100 < each[1] < 1200]
        for (_, name), some in stretches(track).items()
    }


def stop(track: Track, station: str, cause: Cause) -> Stop:
    stops = (each.stop for each in stretches(track)["L1", station] if each.since > moment(100.0))
    return next(each for each in stops if each is not None and each.cause is cause)


def test_a_supply_that_runs_out_is_to_blame_and_who_is_held_behind_it_is_not():
    track = MadeLine(out={("P3", 20): 180.0}).track()
    assert found(track) == {
        "P1": [(Cause.HELD, 520.0, 620.0)],
        "P2": [(Cause.HELD, 480.0, 620.0)],
        "P3": [(Cause.SUPPLY, 430.0, 610.0)],
    }
    out, held = stop(track, "P3", Cause.SUPPLY), stop(track, "P1", Cause.HELD)
    assert (out.slot, out.part, out.kind, out.blamed, out.because_of) == ("F1", "R-10K", "tape", True, None)
    assert (held.because_of, held.blamed, held.slot) == ("P3", False, None)


def test_what_speaks_for_a_cause_is_said():
    track = MadeLine(out={("P3", 20): 180.0}).track()
    said = [put(each, ZoneInfo("UTC")) for each in stop(track, "P3", Cause.SUPPLY).evidence]
    assert said == [
        "Its tower showed that F1 was out.",
        "R-10K was loaded into F1 at 06:10.",
        "It stopped within a panel.",
        "By the books 0 parts were left.",
    ]
    said = [put(each, ZoneInfo("UTC")) for each in stop(track, "P1", Cause.HELD).evidence]
    assert said == ["There was no room for its panel before P2.", "P3 stood: a supply was out."]


def test_who_gets_nothing_from_before_is_not_to_blame():
    track = MadeLine(fault={("P1", 20): 180.0}).track()
    assert found(track) == {
        "P1": [(Cause.FAULT, 380.0, 560.0)],
        "P2": [(Cause.STARVED, 400.0, 580.0)],
        "P3": [(Cause.STARVED, 420.0, 600.0)],
    }
    assert stop(track, "P3", Cause.STARVED).evidence[1].values["station"] == "P1"


def test_a_tray_that_is_exchanged_between_two_panels_is_a_planned_exchange():
    track = MadeLine(exchange={("P2", 20): 45.0}).track()
    assert found(track)["P2"] == [(Cause.EXCHANGE, 400.0, 445.0)]
    assert found(track)["P3"] == [(Cause.STARVED, 420.0, 465.0)]
    assert stop(track, "P2", Cause.EXCHANGE).slot == "T1"


def test_a_tray_that_was_empty_by_the_books_ran_out_where_no_tower_says():
    track = MadeLine(exchange={("P2", 20): 45.0}, towers=False).track()
    supplies = track.lines["L1"].stations["P2"].supplies
    supplies[:] = [replace(each, left=0) for each in supplies]
    assert found(track)["P2"] == [(Cause.SUPPLY, 400.0, 445.0)]


def test_a_fault_in_the_middle_holds_those_before_and_starves_those_behind():
    track = MadeLine(fault={("P2", 20): 200.0}).track()
    assert {name: {cause for cause, *_ in stops} for name, stops in found(track).items()} == {
        "P1": {Cause.HELD},
        "P2": {Cause.FAULT},
        "P3": {Cause.STARVED},
    }


def test_a_station_that_is_held_and_runs_out_itself_changes_its_cause_then():
    line = MadeLine(out={("P3", 20): 180.0})
    track = line.track()
    station = track.lines["L1"].stations["P2"]
    station.towers += [
        tower(550.0, "out", yellow="flashing", slots=("F1",)),
        tower(600.0, "running", green="on"),
    ]
    station.supplies.append(loaded(600.0, "F1", left=0))
    assert found(track)["P2"] == [
        (Cause.HELD, 480.0, 550.0),
        (Cause.SUPPLY, 550.0, 600.0),
        (Cause.HELD, 600.0, 620.0),
    ]


def test_time_that_is_planned_as_rest_is_rest_for_all():
    track = MadeLine(pause={24: 300.0}, policy=REST).track()
    assert {cause for cause, *_ in found(track)["P1"]} == {Cause.REST}
    rest = [(each[1], each[2]) for each in found(track)["P3"] if each[0] is Cause.REST]
    assert rest == [(500.0, 780.0)]


def test_between_two_orders_every_station_changes_over():
    orders = [
        ordered(0.0, "A", "running"),
        ordered(1.0, "B", "queued"),
        ordered(421.0, "A", "finished"),
        ordered(700.0, "B", "running"),
    ]
    track = MadeLine(pause={20: 320.0}, orders=orders).track()
    assert found(track) == {
        "P1": [(Cause.CHANGEOVER, 380.0, 700.0)],
        "P2": [(Cause.CHANGEOVER, 400.0, 720.0)],
        "P3": [(Cause.CHANGEOVER, 420.0, 740.0)],
    }


def test_without_a_next_order_there_is_no_order():
    orders = [
        ordered(0.0, "A", "running"),
        ordered(421.0, "A", "finished"),
        ordered(700.0, "B", "running"),
    ]
    track = MadeLine(pause={20: 320.0}, orders=[*orders[:2]]).track(until=600.0)
    assert found(track)["P1"][0][:2] == (Cause.NO_ORDER, 380.0)


def test_while_its_link_is_down_nobody_knows_whether_a_station_stood():
    track = MadeLine(pause={20: 300.0}, towers=False).track()
    track.lines["L1"].stations["P1"].links = [link(390.0, "offline"), link(670.0, "online")]
    assert {cause for cause, *_ in found(track)["P1"]} == {Cause.UNHEARD}


def test_where_nothing_says_why_the_first_station_stood_the_cause_is_unknown():
    track = MadeLine(pause={20: 90.0}, towers=False).track()
    assert found(track)["P1"] == [(Cause.UNKNOWN, 380.0, 470.0)]
    assert stop(track, "P1", Cause.UNKNOWN).confidence == 0.0
    assert found(track)["P2"] == [(Cause.STARVED, 400.0, 490.0)]


def test_a_first_station_whose_tower_shows_no_fault_had_no_work():
    track = MadeLine(pause={20: 90.0}).track()
    assert found(track)["P1"] == [(Cause.STARVED, 380.0, 470.0)]


def test_before_anything_was_heard_of_a_line_no_station_waited_for_another():
    track = MadeLine().track()
    track.since -= 3600 * SECOND
    first = {station: some[0] for (_, station), some in stretches(track).items()}
    assert {name: each.cause for name, each in first.items()} == dict.fromkeys(
        ("P1", "P2", "P3"), Cause.UNHEARD
    )
    assert {each.until - each.since for each in first.values()} == {3600 * SECOND}


def test_a_station_of_which_nothing_was_heard_is_unheard_all_the_time():
    track = MadeLine(towers=False).track()
    station = track.lines["L1"].stations["P2"]
    station.counts, station.supplies = [], []
    (whole,) = stretches(track)["L1", "P2"]
    assert (whole.cause, whole.since, whole.until) == (Cause.UNHEARD, track.since, track.until)


def test_the_configured_order_of_stations_counts():
    review = ReviewRules(orders=(LineOrder(line="L1", stations=("C", "B", "A")),))
    line = MadeLine(stations=("C", "B", "A"), fault={("C", 20): 180.0}, policy=Policy(review=review))
    assert found(line.track())["A"] == [(Cause.STARVED, 420.0, 600.0)]


@pytest.mark.parametrize("needs_stop", [True, False])
def test_only_what_needs_a_stop_is_exchanged_in_one(needs_stop: bool):
    rule = SlotRule(slot="T1", boundary_only=needs_stop)
    track = MadeLine(pause={20: 60.0}, policy=Policy(slots=[rule])).track()
    track.lines["L1"].stations["P1"].supplies.append(loaded(430.0, "T1", left=40))
    causes = [cause for cause, *_ in found(track)["P1"]]
    assert (Cause.EXCHANGE in causes) is needs_stop


def test_what_is_shorter_than_five_seconds_is_no_stop():
    track = MadeLine(pause={20: 4.5}).track()
    assert found(track)["P1"] == []


def test_panels_of_which_only_one_count_tells_are_taken_apart_where_a_stop_ended():
    line = MadeLine(fault={("P1", 20): 180.0})
    track = line.track()
    station = track.lines["L1"].stations["P2"]
    station.counts = [row for row in station.counts if row.panels != 19]
    assert found(track)["P2"] == [(Cause.STARVED, 400.0, 580.0)]


def test_a_tower_that_never_took_its_light_back_does_not_stop_a_station_that_works():
    track = MadeLine(fault={("P3", 20): 60.0}).track()
    station = track.lines["L1"].stations["P3"]
    station.towers = [each for each in station.towers if each.at <= moment(430.0)]
    assert found(track)["P3"] == [(Cause.FAULT, 420.0, 480.0)]
    assert stop(track, "P3", Cause.FAULT).until - moment(480.0) < SECOND


def test_a_light_that_goes_on_over_several_panels_does_not_say_that_the_station_waits():
    """A tower that shows one lamp at a time: yellow alone while a supply runs low."""
    track = MadeLine(fault={("P2", 30): 60.0}).track()
    station = track.lines["L1"].stations["P2"]
    green = station.towers[-1]
    station.towers = [station.towers[0], tower(200.0, "low", yellow="flashing", slots=("F1",)), green]
    assert found(track)["P2"] == [(Cause.FAULT, 600.0, 660.0)]


def test_the_lamps_that_mean_running_are_those_of_the_plant():
    blue = TowerRule(running={"blue": ["on"]})
    line = MadeLine(pause={20: 90.0}, policy=Policy(towers=[blue]))
    track = line.track()
    for station in track.lines["L1"].stations.values():
        station.towers = [tower(0.0, "running", blue="on")]
    waits = [tower(395.0, "none", blue="flashing"), tower(470.0, "running", blue="on")]
    track.lines["L1"].stations["P1"].towers += waits
    assert found(track)["P1"] == [(Cause.STARVED, 380.0, 470.0)]
    assert stop(track, "P1", Cause.STARVED).evidence[0].text == "Its tower showed that it waited."
