"""How a station went: its takts, its gaps, and how many panels are between two."""

from __future__ import annotations

from service.domain.flow import flow_between
from service.domain.model import SECOND
from service.domain.stands import Run, run_of
from service.domain.takts import usual_of
from service.domain.track import RecipeSet, StationTrack
from tests.support.story import START
from tests.support.tracks import MadeLine, at, count, seconds, tower


def run(track: StationTrack, until: float) -> Run:
    return run_of(track, START, at(until))


def made(*takts: float, recipes: tuple[RecipeSet, ...] = ()) -> Run:
    moment, rows = 0.0, []
    for number, takt in enumerate(takts, 1):
        moment += takt
        rows.append(count(moment, number, 10))
    return run(StationTrack(line="L1", station="P1", counts=rows, recipes=list(recipes)), moment + 1.0)


def test_the_usual_takt_is_the_one_that_is_met_most():
    went = made(*[20.0, 20.1, 19.9, 20.2, 19.8] * 6, *[45.0, 63.0, 30.0, 90.0] * 4)
    assert went.usual is not None
    assert abs(went.usual - 20 * SECOND) < SECOND / 5


def test_each_recipe_has_a_takt_of_its_own():
    recipes = tuple(
        RecipeSet(at=at(moment), recipe=name, usage={}) for moment, name in ((0.0, "A"), (600.0, "B"))
    )
    went = made(*[20.0] * 30, *[35.0] * 30, recipes=recipes)
    assert [gap.over for gap in went.gaps[1:-1] if gap.over > SECOND] == []


def test_without_recipes_the_takt_may_change_in_a_long_stop():
    went = made(*[20.0] * 30, 600.0, *[35.0] * 30)
    long = [gap.over for gap in went.gaps[1:-1] if gap.over > SECOND]
    assert long == [(600 - 35) * SECOND]


def test_a_count_that_tells_of_many_panels_tells_their_takt_too():
    rows = [count(200.0 * number, 10 * number, 100) for number in range(1, 12)]
    went = run(StationTrack(line="L1", station="P1", counts=rows), 2300.0)
    assert went.usual == 20 * SECOND
    assert len(went.ends) == 110


def test_panels_that_are_complete_in_one_moment_share_its_time():
    """A machine with two lanes, each of whose panels is counted by itself."""
    rows = [count(40.0 * ((number + 1) // 2), number, 10) for number in range(1, 61)]
    went = run(StationTrack(line="L1", station="P1", counts=rows), 1300.0)
    assert went.usual == 20 * SECOND
    assert len(went.ends) == 60
    assert max(gap.over for gap in went.gaps[1:-1]) == 0


def test_of_panels_told_all_at_once_no_takt_is_known():
    assert usual_of([0] * 20) == (None, 0.0)


def test_a_light_that_is_not_taken_back_ends_in_time_for_the_next_panel():
    track = MadeLine(fault={("P1", 20): 60.0}).track().lines["L1"].stations["P1"]
    track.towers = track.towers[:2]
    (sign,) = [sign for gap in run(track, 1300.0).gaps for sign in gap.signs]
    assert (seconds(sign.since), seconds(sign.until)) == (380.0, 440.0)


def test_a_tower_that_runs_says_nothing_of_a_stop():
    track = StationTrack(line="L1", station="P1", towers=[tower(5.0, "running", green="on")])
    assert [gap.signs for gap in run(track, 100.0).gaps] == [[]]


def runs(line: MadeLine) -> tuple[Run, Run]:
    stations = line.track().lines["L1"].stations
    return run(stations["P1"], line.until), run(stations["P2"], line.until)


def test_one_stop_shows_how_many_panels_fit_between_two_stations():
    for room in (1, 2, 4):
        line = MadeLine(stations=("P1", "P2"), room=room, out={("P2", 20): 300.0})
        earlier, later = runs(line)
        flow = flow_between(earlier, later, [gap.since for gap in later.gaps])
        assert flow is not None
        assert flow.room == room + 1


def test_stations_that_do_not_count_the_same_panels_have_no_flow():
    went = made(*[20.0] * 3000)
    other = made(*[200.0] * 300)
    assert flow_between(went, other, [gap.since for gap in other.gaps]) is None
