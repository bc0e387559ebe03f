"""Trays in a slot: which cell is next, what partial stacks hold, what an empty cavity does to the books."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain import stacks
from service.domain.policy import Policy, SlotRule
from service.domain.trays import Cell, Matrix
from tests.support.story import Story

TRAYS = Policy(slots=[SlotRule(slot="T*", tray=Matrix(8, 20, 3))])


KEYS = st.sampled_from(("rows", "columns", "stack", "next", "partial"))


def line(policy: Policy | None = TRAYS) -> Story:
    story = Story(policy)
    story.recipe({"T2": 1})
    story.count({"T2": 0}, ago=None, session="s", seq=0, panels=0)
    return story


def place(story: Story, panels: int, *, empty: int | None = None, lost: int | None = None) -> None:
    """So many panels have passed in all; totals of picks that found nothing, and of parts that were lost."""
    said: dict[str, Any] = {"placed": panels}
    said |= {} if empty is None else {"empty": empty}
    said |= {} if lost is None else {"lost": lost}
    story.say("L3/P1/count", {"slots": {"T2": said}, "session": "s", "seq": panels + 1, "panels": panels})


def first(story: Story) -> None:
    """First contact with all totals."""
    said = {"placed": 0, "empty": 0, "lost": 0}
    story.say("L3/P1/count", {"slots": {"T2": said}, "session": "s", "seq": 1, "panels": 0})


def cell(story: Story) -> Cell | None:
    return stacks.cell_of(story.slot("T2"))


def test_one_tap_loads_as_many_parts_as_the_cells_hold():
    story = line()
    story.load("T2", by="badge 31")
    slot = story.slot("T2")
    assert (slot.kind, slot.book, slot.assumed) == ("tray", 480, True)
    assert cell(story) == Cell(0, 0, 0)


def test_the_next_cell_and_its_tray_follow_from_the_counts():
    story = line()
    story.load("T2")
    place(story, 243)
    assert cell(story) == Cell(1, 4, 3)
    place(story, 479)
    assert cell(story) == Cell(2, 7, 19)
    place(story, 480)
    assert cell(story) is None


def test_a_message_says_how_trays_are_divided_and_where_they_stand():
    story = line(Policy())
    story.load("T2", kind="tray", trays={"rows": 8, "columns": 20, "next": [3, 5]})
    slot = story.slot("T2")
    assert (slot.book, slot.assumed) == (95, False)
    assert cell(story) == Cell(0, 3, 5)
    place(story, 20)
    assert (slot.book, cell(story)) == (75, Cell(0, 4, 5))


def test_a_partial_first_tray_has_full_ones_below():
    story = line()
    story.load("T2", trays={"next": [3, 5]})
    assert story.slot("T2").book == 95 + 2 * 160


def test_a_declared_quantity_goes_before_the_cells():
    story = line()
    story.load("T2", 100)
    assert story.slot("T2").book == 100
    assert cell(story) is None, "a tray with fewer parts may have been used from anywhere"


def test_more_parts_than_cells_are_applied_and_said():
    """8 x 3 cells and 151 parts: the example of the IPC-2591 (CFX) SDK 880255d."""
    story = line(Policy())
    story.load("T2", 151, kind="tray", trays={"rows": 8, "columns": 3})
    slot = story.slot("T2")
    assert (slot.book, cell(story)) == (151, Cell(0, 0, 0))


@pytest.mark.parametrize("junk", ["8x20", [8, 20], {"rows": "eight"}, 7, {"next": [99, 99]}])
def test_trays_that_cant_be_read_leave_the_load_as_it_is(junk):
    story = line(Policy())
    story.load("T2", 40, kind="tray", trays=junk)
    assert (story.slot("T2").book, story.slot("T2").tray) == (40, None)


def test_a_tape_has_no_cells():
    story = line()
    story.load("T2", 4000, kind="tape")
    assert story.slot("T2").tray is None


def test_an_empty_cavity_uses_up_a_cell_where_the_quantity_is_that_of_the_cells():
    story = line()
    first(story)
    story.load("T2")
    place(story, 10, empty=3, lost=1)
    slot = story.slot("T2")
    assert (slot.book, slot.lost, slot.empty) == (480 - 14, 1, 3)
    assert cell(story) == Cell(0, 0, 14)


def test_an_empty_cavity_tells_nothing_about_parts_that_somebody_counted():
    story = line()
    first(story)
    story.load("T2", 480)
    place(story, 10, empty=3, lost=1)
    slot = story.slot("T2")
    assert (slot.book, slot.empty) == (480 - 11, 3)
    assert cell(story) == Cell(0, 0, 14)


def test_an_empty_cavity_is_no_evidence_of_losses():
    with_holes, without = line(), line()
    for story, holes in ((with_holes, 5), (without, 0)):
        first(story)
        story.load("T2", 480)
        place(story, 10, empty=holes, lost=1)
    one, other = with_holes.slot("T2"), without.slot("T2")
    assert (one.lost_evidence, one.placed_evidence) == (other.lost_evidence, other.placed_evidence)
    assert (one.book, one.learned) == (other.book, other.learned)


def test_only_empty_cavities_since_the_last_count_are_counted_too():
    story = line()
    first(story)
    story.load("T2")
    place(story, 5, empty=1)
    story.say(
        "L3/P1/count",
        {"slots": {"T2": {"placed": 5, "empty": 4}}, "session": "s", "seq": 7, "panels": 5},
    )
    assert story.slot("T2").book == 480 - 9


def test_the_first_total_of_empty_cavities_is_a_beginning():
    story = line()
    story.load("T2")
    place(story, 5, empty=40)
    place(story, 6, empty=41)
    assert story.slot("T2").book == 480 - 7


def test_a_session_that_replaced_another_counts_its_empty_cavities_in_full():
    story = line()
    first(story)
    story.load("T2")
    place(story, 5, empty=2)
    said = {"slots": {"T2": {"placed": 3, "empty": 2}}, "session": "t", "seq": 0, "panels": 3}
    story.say("L3/P1/count", said)
    assert story.slot("T2").book == 480 - 7 - 5


def test_a_person_who_counts_leaves_the_tray_where_it_stands():
    story = line()
    story.load("T2")
    place(story, 165)
    story.counted("T2", 300)
    assert (story.slot("T2").book, cell(story)) == (300, Cell(1, 0, 5))
    place(story, 170)
    assert (story.slot("T2").book, cell(story)) == (295, Cell(1, 0, 10))


def test_a_tray_with_a_name_is_taken_up_where_it_was_left():
    story = line()
    story.load("T2", supply="TR-1")
    place(story, 25)
    story.remove("T2")
    assert story.slot("T2").tray is None
    story.load("T2", supply="TR-2")
    story.load("T5", supply="TR-1", kind="tray")
    assert story.slot("T5").book == 455
    assert stacks.cell_of(story.slot("T5")) == Cell(0, 1, 5)


def test_a_refill_that_nobody_reported_begins_a_full_stack():
    story = line()
    story.load("T2", 4)
    place(story, 20)
    slot = story.slot("T2")
    assert slot.assumed
    assert slot.declared == 480
    assert stacks.passed(slot) == slot.counted


@settings(max_examples=60, deadline=None)
@given(steps=st.lists(st.tuples(st.integers(1, 5), st.integers(0, 3), st.integers(0, 2)), max_size=12))
def test_cells_are_passed_by_parts_and_by_empty_cavities_alike(steps):
    story = line()
    first(story)
    story.load("T2")
    placed = empty = lost = 0
    for more, holes, misses in steps:
        placed, empty, lost = placed + more, empty + holes, lost + misses
        place(story, placed, empty=empty, lost=lost)
    slot = story.slot("T2")
    assert stacks.passed(slot) == placed + empty + lost
    assert slot.book == 480 - placed - empty - lost


JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=4),
    lambda inside: st.lists(inside, max_size=3) | st.dictionaries(KEYS, inside, max_size=5),
    max_leaves=8,
)


@settings(max_examples=80, deadline=None)
@given(trays=JSON, level=JSON, hours=JSON)
def test_whatever_a_message_says_of_trays_and_moisture_its_load_is_applied(trays, level, hours):
    story = line(Policy())
    story.load("T2", 40, kind="tray", trays=trays, moisture_level=level, floor_hours=hours)
    assert story.slot("T2").book == 40
