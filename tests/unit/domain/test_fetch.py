"""Which fresh supplies a slot needs and when, against laying down panel by panel; what one walk brings."""

from __future__ import annotations

from itertools import islice

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.fetch import TOGETHER, Doubt, Due, Fresh, Run, Unknown, ahead, by_part, walks

FULL = {"A": 7, "B": 12, "C": 2}
RUNS = st.lists(
    st.tuples(st.integers(0, 9), st.integers(0, 4), st.sampled_from("ABC")), min_size=1, max_size=4
)


def runs(told: list[tuple[int, int, str]]) -> list[Run]:
    return [
        Run(f"order {number}", panels, usage, part, FULL[part])
        for number, (panels, usage, part) in enumerate(told)
    ]


def by_hand(told: list[tuple[int, int, str]], left: int, whole: bool) -> list[tuple[int, str]]:
    """Each panel is made on its own; before one that can't be completed a supply is exchanged or joined."""
    part, boundary, found = told[0][2], 0, []
    for number, (panels, usage, wanted) in enumerate(told):
        if usage and number and wanted != part:
            found.append((boundary, wanted))
            part, left = wanted, FULL[wanted]
        for _ in range(panels):
            while left < usage:
                found.append((boundary, part))
                left = FULL[part] if whole and FULL[part] >= usage else left + FULL[part]
            left -= usage
            boundary += 1
    return found


@settings(max_examples=300)
@given(RUNS, st.integers(0, 30), st.booleans())
def test_supplies_are_those_that_laying_down_panel_by_panel_needs(told, left, whole):
    found = list(ahead(runs(told), part=told[0][2], left=float(left), whole=whole))
    assert [(each.panels, each.part) for each in found if isinstance(each, Fresh)] == by_hand(
        told, left, whole
    )


def test_an_order_of_480_panels_takes_many_more_reels_than_what_is_loaded():
    """18 a panel are 8,640 parts; of those 162 are loaded, and 1,000 to a reel make nine more: the first
    for the tenth panel, the next for the panel that the parts of 162 + 1,000 don't complete, the 65th."""
    order = Run("8842", 480, 18, "R-10K-0402", 1000.0)
    found = list(ahead([order], part="R-10K-0402", left=162.0, whole=False))
    assert [each.panels for each in found] == [9, 64, 120, 175, 231, 286, 342, 397, 453]


def test_a_tray_is_thrown_away_with_what_no_whole_panel_can_take_from_it():
    order = Run("8842", 12, 3, "MCU-48Q", 10.0)
    boundaries = [each.panels for each in ahead([order], part="MCU-48Q", left=7.0, whole=True)]
    assert boundaries == [2, 5, 8, 11]


def test_at_a_changeover_what_the_next_order_wants_there_must_be_there_when_it_begins():
    now, then = Run("A", 40, 2, "C-1U", 500.0), Run("B", 10, 2, "L-4U7", 500.0)
    [fresh] = ahead([now, then], part="C-1U", left=500.0, whole=False)
    assert fresh == Fresh(40, "B", "L-4U7", new=True)


def test_what_lies_in_a_slot_already_is_not_wanted_again_when_its_order_begins():
    now, then = Run("A", 40, 0), Run("B", 10, 2, "L-4U7", 500.0)
    assert list(ahead([now, then], part="L-4U7", left=100.0, whole=False)) == []


def test_where_a_full_supply_is_unknown_the_next_one_is_told_and_no_more_is_guessed():
    order = Run("A", 480, 18, "R-10K-0402", None)
    assert list(ahead([order], part="R-10K-0402", left=162.0, whole=False)) == [
        Fresh(9, "A", "R-10K-0402"),
        Doubt(9, "A", "R-10K-0402", Unknown.FULL),
    ]


def test_where_it_is_not_known_what_is_left_nothing_is_told_until_another_part_comes():
    orders = [Run("A", 40, 2, "X", 100.0), Run("B", 40, 2, "X", 100.0), Run("C", 40, 2, "Y", 100.0)]
    assert list(ahead(orders, part="X", left=None, whole=False)) == [
        Doubt(0, "A", "X", Unknown.LEFT),
        Fresh(80, "C", "Y", new=True),
    ]


def test_an_order_whose_recipe_is_not_known_ends_what_can_be_said():
    orders = [Run("A", 5, 1, "X", 100.0), Run("B", 40, None), Run("C", 40, 2, "Y", 100.0)]
    found = list(ahead(orders, part="X", left=10.0, whole=False))
    assert found == [Doubt(5, "B", None, Unknown.RECIPE)]


def test_a_line_without_an_end_goes_on_for_as_long_as_anybody_asks():
    found = list(islice(ahead([Run(None, None, 1, "X", 10.0)], part="X", left=5.0, whole=True), 3))
    assert [each.panels for each in found] == [5, 15, 25]


@pytest.mark.parametrize(("later", "number"), [(TOGETHER - 1, 1), (TOGETHER, 2)])
def test_one_walk_brings_what_falls_due_within_an_hour_of_the_first(later, number):
    dues = [Due("X", "tape", later), Due("Y", "tray", 0), Due("Y", "tray", 5)]
    found = walks(dues)
    assert len(found) == number
    assert by_part(found[0])[0] == ("Y", "tray", 2)


def test_what_has_no_time_is_a_walk_of_its_own_and_comes_last():
    found = walks([Due("X", None, None), Due("Y", None, 7)])
    assert [[due.part for due in walk] for walk in found] == [["Y"], ["X"]]
