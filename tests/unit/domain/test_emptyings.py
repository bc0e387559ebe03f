"""The emptyings ahead of a slot: which comes after which, by what the orders need."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from service.domain.emptyings import Emptying, panels_for
from service.domain.horizon import Horizon, parts_needed
from service.domain.model import Spread
from service.domain.plan import Terms
from tests.support.ahead import Ahead

STEPS = st.lists(st.tuples(st.integers(0, 20), st.sampled_from([0.5, 1.0, 3.0, 10.0])), max_size=3)


def emptying(*, stops: bool = True, horizon: Horizon | None = None, needed: int | None = None) -> Emptying:
    """A slot whose supply of 60 surely lasts for ten more panels; a full one gives 59 or 60 placements."""
    ahead = Ahead(panels=40)
    ahead.load("T1", 10)
    (window,) = ahead.prospect().windows
    supply = replace(
        window.what.supply, stops=stops, horizon=horizon or window.what.supply.horizon, needed=needed
    )
    return replace(window.what, supply=supply)


def tape() -> Emptying:
    each = emptying(stops=False)
    each.supply.slot.kind = "tape"
    return each


@given(STEPS, st.integers(0, 100), st.sampled_from([0.5, 1.0, 4.0]), st.sampled_from([0.0, 0.5]))
def test_panels_and_parts_are_each_others_inverse(steps, panels, usage, taken):
    horizon = Horizon(steps=tuple(steps), usage=usage, taken=taken)
    parts = parts_needed(horizon, panels)
    assert panels_for(horizon, parts) >= panels
    assert parts_needed(horizon, panels_for(horizon, parts)) <= parts + 1e-6


def test_a_tray_begins_where_the_one_before_is_exchanged():
    after = emptying().next(8)
    assert after is not None
    assert (after.number, after.panels) == (2, Spread(67, 68, 68))
    assert after.left_over(8) == 60.0


def test_a_tape_is_joined_so_the_one_before_is_used_up_first():
    after = tape().next(8)
    assert after is not None
    assert after.panels == Spread(69, 71, 71)


def test_an_order_that_needs_more_a_panel_empties_the_next_supply_sooner():
    """From the tenth panel on three parts a panel: of 60 two go until then, the others in 19 panels."""
    after = emptying(horizon=Horizon(steps=((10, 1.0),), usage=3.0)).next(8)
    assert after is not None
    assert after.panels == Spread(29, 29, 29)


def test_what_lasts_for_the_orders_is_no_emptying():
    assert emptying(needed=68).next(8) is None
    assert emptying(needed=69).next(8) is not None


def test_left_alone_a_slot_is_refilled_when_it_is_empty_and_one_that_never_gets_on_ends_it():
    assert (after := emptying().left_alone()) is not None
    assert after.panels == Spread(69, 71, 71)
    assert emptying(horizon=Horizon(usage=100.0)).left_alone() is None


def test_the_chance_that_it_is_empty_before_a_boundary_has_the_quantiles_of_the_forecast():
    each = replace(emptying(), panels=Spread(20, 30, 45))
    chances = each.chance_before([20, 21, 31, 46])
    assert chances[0] < 0.06
    assert 0.05 <= chances[1] <= 0.07
    assert 0.5 <= chances[2] <= 0.54
    assert 0.95 <= chances[3] <= 0.96


def test_a_window_waits_for_the_supply_that_is_still_to_be_fetched():
    each = replace(emptying(), fetched=7)
    assert (each.window(Terms()).first, each.window(Terms()).last) == (8, 9)
    assert replace(each, fetched=20).window(Terms()).first == 9


def test_a_tape_may_be_joined_from_when_on_people_are_warned():
    """Without a loss however early; ten panels is the usual lead."""
    joined, tray = (replace(each, panels=Spread(30, 31, 32), parts=31.0) for each in (tape(), emptying()))
    assert (joined.window(Terms()).first, joined.window(Terms()).last) == (19, 29)
    assert tray.window(Terms()).first == 28
