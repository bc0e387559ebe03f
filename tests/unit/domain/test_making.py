"""What a station made, how fast it could have, and how long orders were under way."""

from __future__ import annotations

import pytest

from service.domain.making import Made, executed_of, line_made, made_of
from service.domain.model import SECOND
from service.domain.policy import Policy
from service.domain.reviewing import ReviewRules, TaktRule
from service.domain.track import Counted, LineTrack, OrderSet, RecipeSet, StationTrack

LINE = LineTrack(line="L3")


def station(takts: list[float], recipes: list[tuple[float, str]] | None = None) -> StationTrack:
    """A station that completed its 101st panel at 0 and then one after each of so many seconds."""
    track = StationTrack(line="L3", station="P1", progress=100)
    at = 0.0
    track.counts.append(Counted(at=0, panels=101, used={}))
    for number, takt in enumerate(takts):
        at += takt
        track.counts.append(Counted(at=round(at * SECOND), panels=102 + number, used={}))
    track.recipes = [
        RecipeSet(at=round(since * SECOND), recipe=name, usage={}) for since, name in recipes or []
    ]
    return track


def made(track: StationTrack, *takts: TaktRule) -> Made:
    return made_of(LINE, track, Policy(review=ReviewRules(takts=takts)), 0, 10**10)


def test_the_ideal_takt_is_the_slowest_of_the_fastest_tenth() -> None:
    found = made(station([20.0] * 36 + [18.0] * 4))
    assert found.panels == 41
    assert found.takt_from == "learned"
    assert found.planned_run == pytest.approx(41 * 19_800.0)  # between the 4th and the 5th of 40


def test_stops_do_not_slow_the_ideal_takt() -> None:
    assert made(station([20.0, 900.0] * 30)).planned_run == pytest.approx(61 * 20_000.0)


def test_a_configured_takt_counts_before_a_learned_one() -> None:
    found = made(station([20.0] * 40), TaktRule(seconds=15.0, line="L*"))
    assert found.planned_run == pytest.approx(41 * 15_000.0)
    assert found.takt_from == "configured"


def test_each_recipe_has_an_ideal_takt_of_its_own() -> None:
    track = station([20.0] * 40 + [40.0] * 40, [(0.0, "SMALL"), (801.0, "LARGE")])
    found = made(track)
    assert found.planned_run == pytest.approx((40 * 20_000.0 + 40 * 40_000.0) * 81 / 80)
    mixed = made(track, TaktRule(seconds=10.0, recipe="SMALL"))
    assert mixed.planned_run == pytest.approx(2_000_000.0 * 81 / 80)
    assert mixed.takt_from == "learned"


def test_panels_that_were_counted_together_share_their_time() -> None:
    track = station([20.0] * 20)
    track.counts.append(Counted(at=track.counts[-1].at + 100 * SECOND, panels=126, used={}))
    assert made(track).planned_run == pytest.approx(26 * 20_000.0)


def test_a_few_panels_tell_no_takt_and_without_counts_nothing_is_known() -> None:
    assert made(station([20.0] * 5)) == Made(panels=6)
    assert made(StationTrack(line="L3", station="P1")) == Made()


def test_a_line_makes_what_leaves_it_as_fast_as_its_slowest_station_could() -> None:
    first = Made(panels=110, planned_run=110 * 21_000.0, takt_from="learned", executed=5)
    last = Made(panels=100, planned_run=100 * 18_000.0, takt_from="configured", executed=5)
    assert line_made([first, last, Made()]) == Made(
        panels=100, planned_run=100 * 21_000.0, takt_from="learned", executed=5
    )
    assert line_made([Made()]) == Made()


def order(at: int, name: str, state: str) -> OrderSet:
    return OrderSet(at=at * SECOND, order=name, recipe=None, panels=None, state=state)


def test_orders_are_under_way_from_start_to_end_and_what_overlaps_counts_once() -> None:
    orders = [
        order(10, "A", "queued"),
        order(20, "A", "running"),
        order(50, "B", "running"),
        order(60, "A", "finished"),
        order(90, "B", "finished"),
        order(95, "C", "running"),
    ]
    assert executed_of(orders, 0, 100 * SECOND) == 75_000
    assert executed_of(orders, 30 * SECOND, 40 * SECOND) == 10_000


def test_without_a_word_of_orders_nobody_knows_how_long_they_took() -> None:
    assert executed_of([], 0, SECOND) is None
