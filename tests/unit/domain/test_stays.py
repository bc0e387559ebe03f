"""Which lot fed which panels: exchanges, late words, refills nobody told, orders, what is undone."""

from __future__ import annotations

import pytest

from service.domain.policy import Policy, SlotRule
from service.domain.stays import Edge, Run, Stay, spans
from tests.support.lots import TAPE, Kept, line
from tests.support.story import Story

TRAY = {"T1": 2}


def test_a_stay_says_what_was_loaded_by_whom_and_how_it_ended():
    story, kept = line(TAPE)
    story.run(4, TAPE, lost={"F1": 1})
    story.load("F1", 3000, kind="tape", part="R-10K", lot="A2", supply="U2", by="Mira", ago=0)
    old, new = kept.of("F1")
    assert old.stay.ended is not None
    assert (old.stay.lot, old.stay.by, old.stay.how, old.stay.ended_by) == (
        "A1",
        "Ines",
        "loaded over",
        "Mira",
    )
    assert (old.stay.quantity, old.stay.used, old.stay.assumed) == (5000, 4 * 6, False)
    assert old.stay.ended.at == new.stay.begun.at == story.now
    assert (new.stay.lot, new.stay.supply, new.stay.ended, new.stay.how) == ("A2", "U2", None, None)


def test_the_panel_in_work_at_an_exchange_may_have_parts_of_both():
    story, kept = line(TAPE)
    story.run(10, TAPE)
    story.load("F1", 5000, lot="A2", ago=0)
    story.run(10, TAPE)
    assert kept.panels("A1") == [(None, (1, 11), (2, 10))]
    assert kept.panels("A2") == [(None, (11, 20), (12, 20))]


def test_a_tray_is_exchanged_between_two_panels():
    story, kept = line(TRAY)
    story.run(10, TRAY)
    story.load("T1", 5000, lot="A2", ago=0)
    story.run(10, TRAY)
    assert kept.panels("A1") == [(None, (1, 10), (1, 10))]
    assert kept.panels("A2") == [(None, (11, 20), (11, 20))]


def test_who_says_it_by_hand_may_be_two_minutes_late():
    story, kept = line(TAPE)
    story.run(20, TAPE)
    story.load("F1", 5000, lot="A2")
    story.run(1, TAPE)
    assert kept.panels("A1") == [(None, (1, 21), (2, 14))]
    assert kept.panels("A2") == [(None, (15, 21), None)]


def test_a_message_that_comes_late_owns_the_panels_since_its_moment():
    story, kept = line(TAPE)
    story.run(40, TAPE)
    story.load("F1", 5000, lot="A2", ago=205)
    assert kept.panels("A1") == [(None, (1, 31), (2, 27))]
    assert kept.panels("A2") == [(None, (28, 40), (32, 40))]
    assert [kept.used(placed) for placed in kept.of("F1")] == [145, 55]


def test_counts_that_come_after_an_exchange_but_are_of_before_move_it():
    story, kept = line(TAPE)
    story.run(10, TAPE)
    story.load("F1", 5000, lot="A2", ago=0)
    story.later(60)
    story.count({"F1": (60, 0)}, ago=70, session="s1", seq=100, panels=12)
    story.count({"F1": (75, 0)}, ago=10, session="s1", seq=101, panels=15)
    assert kept.panels("A1") == [(None, (1, 15), (2, 12))]
    assert kept.panels("A2") == [(None, (13, 15), None)]
    assert [kept.used(placed) for placed in kept.of("F1")] == [60, 15]


def test_no_supply_is_over_before_it_began():
    story, kept = line(TAPE)
    story.run(20, TAPE)
    story.load("F1", 5000, lot="A2", ago=0)
    story.run(3, TAPE)
    story.load("F1", 5000, lot="A3", ago=300)
    story.run(1, TAPE)
    used = [kept.used(placed) for placed in kept.of("F1")]
    assert sum(used) == 24 * 5
    assert min(used) >= 0
    assert kept.panels("A2")[0][1][0] == 21


def test_what_was_in_the_slot_before_anybody_said_is_a_stay_of_an_unknown_lot():
    story = Story()
    story.recipe(TAPE)
    story.first("F1")
    story.run(3, TAPE)
    story.load("F1", 5000, lot="A2", ago=0)
    first, _ = Kept(story).of("F1")
    assert (first.stay.lot, first.stay.begun.at, first.stay.used) == (None, None, 15)


def test_a_lot_that_nobody_names_with_the_next_supply_is_not_the_one_before():
    story, kept = line(TAPE)
    story.run(3, TAPE)
    story.join("F1", 500, ago=0)
    story.load("F1", 500, ago=0)
    assert [placed.stay.lot for placed in kept.of("F1")] == ["A1", None, None]


def test_after_a_removal_what_is_placed_came_out_of_the_next_supply():
    story, kept = line(TAPE)
    story.run(10, TAPE)
    story.remove("F1", by="Mira", ago=0)
    story.run(1, TAPE)
    story.load("F1", 5000, lot="A2", ago=0)
    story.run(5, TAPE)
    assert kept.one("A1").stay.how == "removed"
    assert kept.one("A1").stay.ended_by == "Mira"
    assert kept.panels("A1") == [(None, (1, 11), (2, 10))]
    assert kept.panels("A2") == [(None, (11, 16), (12, 16))]
    assert kept.used(kept.one("A2")) == 30


def test_a_supply_that_is_loaded_elsewhere_leaves_its_slot():
    story, kept = line(TAPE | {"F2": 5})
    story.load("F1", 500, lot="A7", supply="U7", ago=0)
    story.run(4, {"F1": 5, "F2": 5})
    story.load("F2", supply="U7", by="Mira", ago=0)
    here, there = [placed for placed in [*kept.of("F1"), *kept.of("F2")] if placed.stay.lot == "A7"]
    assert (here.slot, here.stay.how, here.stay.used) == ("F1", "removed", 20)
    assert (there.slot, there.stay.quantity, there.stay.feeds) == ("F2", 480, True)


# --- refills nobody reported ----------------------------------------------------------------------------

FULL = Policy(slots=[SlotRule(slot="F*", kind="tape", full=100)])


def test_after_an_out_signal_what_is_placed_came_out_of_an_unknown_supply():
    story, kept = line(TAPE, FULL)
    story.run(10, TAPE)
    story.out("F1")
    story.green()
    story.run(4, TAPE)
    old, seen = kept.of("F1")
    assert (old.stay.how, seen.stay.lot, seen.stay.assumed, seen.stay.by) == ("ran empty", None, True, None)
    assert kept.panels("A1")[0][1:] == ((1, 11), (2, 10))
    assert kept.used(seen) == 20


def test_a_refill_that_only_the_books_show_is_in_doubt_as_far_as_it_may_have_come_before():
    story, kept = line(TAPE, quantity=200)
    story.run(60, TAPE)
    old, seen = kept.of("F1")
    assert (old.stay.how, seen.stay.lot, seen.stay.begun) == ("seen refilled", None, old.stay.ended)
    [(_, (_, last), surely)] = kept.panels("A1")
    assert surely is not None
    assert 10 < surely[1] < 40 < last < 60


def test_a_late_word_names_the_supply_that_was_seen_and_when_it_came():
    story, kept = line(TAPE, FULL)
    story.run(10, TAPE)
    story.out("F1")
    story.green()
    story.run(4, TAPE)
    story.load("F1", 80, lot="A2", supply="U2", by="Mira", ago=82)
    seen = kept.one("A2")
    assert (seen.stay.supply, seen.stay.quantity, seen.stay.assumed, seen.stay.by) == (
        "U2",
        80,
        False,
        "Mira",
    )
    assert seen.stay.begun == kept.one("A1").stay.ended
    assert len(kept.of("F1")) == 2


# --- undone ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("change", ["loaded", "joined"])
def test_what_is_undone_never_was_and_the_stay_before_goes_on(change):
    story, kept = line(TAPE)
    story.run(10, TAPE)
    before = kept.of("F1")
    story.supply(change, "F1", id="e1", lot="A2", quantity=700, ago=0)
    assert len(kept.of("F1")) == 2
    story.run(1, TAPE)
    story.supply("undone", "F1", undoes="e1")
    assert [placed.stay for placed in kept.of("F1")] == [placed.stay for placed in before]
    story.run(5, TAPE)
    assert kept.panels("A1") == [(None, (1, 16), (2, 16))]
    assert kept.used(kept.one("A1")) == 80


def test_a_supply_that_is_put_back_by_undoing_is_in_its_slot_again():
    story, kept = line(TAPE | {"F2": 5})
    story.load("F1", 500, lot="A7", supply="U7", ago=0)
    story.load("F2", supply="U7", id="e1", ago=0)
    story.supply("undone", "F2", undoes="e1")
    assert kept.of("F1")[-1] == kept.one("A7")
    assert kept.one("A7").stay.feeds
    assert [placed.stay.lot for placed in kept.of("F2")] == ["A1"]


# --- orders ---------------------------------------------------------------------------------------------


def test_panels_are_counted_within_each_order():
    story, kept = line(TAPE)
    story.run(5, TAPE)
    story.order("B-1", "running", recipe="R1", panels=100)
    story.run(10, TAPE)
    story.load("F1", 5000, lot="A2", ago=0)
    story.run(10, TAPE)
    story.order("B-2", "running", recipe="R1", panels=100)
    story.run(3, TAPE)
    assert kept.panels("A1") == [(None, (1, 5), (2, 5)), ("B-1", (1, 11), (1, 10))]
    assert kept.panels("A2") == [("B-1", (11, 20), (12, 20)), ("B-2", (1, 3), (1, 3))]


def test_an_order_that_ran_before_its_start_was_seen_says_so():
    story = Story()
    story.recipe(TAPE)
    story.order("B-1", "running", retained=True, recipe="R1")
    story.first("F1")
    story.load("F1", 5000, lot="A1", ago=0)
    story.run(5, TAPE)
    kept = Kept(story)
    [span] = kept.spans(kept.one("A1"))
    assert (span.order, span.start_seen, span.possible) == ("B-1", False, (1, 5))


def test_an_order_whose_recipe_does_not_use_the_slot_has_none_of_its_panels():
    story, kept = line(TAPE)
    story.order("B-1", "running", recipe="R1")
    story.run(5, TAPE)
    story.recipe({"F9": 1}, name="R2")
    story.order("B-2", "running", recipe="R2")
    story.run(5, {"F9": 1})
    story.order("B-3", "running", recipe="R1")
    story.run(5, TAPE)
    assert [order for order, _, _ in kept.panels("A1")] == ["B-1", "B-3"]


def test_of_slots_that_feed_together_none_is_sure():
    story = Story()
    story.recipe({"F1": 5, "F2": 5}, alternates=[["F1", "F2"]])
    story.first("F1", "F2")
    for slot in ("F1", "F2"):
        story.load(slot, 5000, lot=f"of {slot}", ago=0)
    story.run(10, TAPE)
    story.run(10, {"F2": 5})
    kept = Kept(story)
    assert kept.panels("of F1") == [(None, (1, 20), None)]


def test_a_run_that_is_told_again_goes_on():
    story, kept = line(TAPE)
    for _ in range(2):
        story.order("B-1", "running", recipe="R1", panels=100)
        story.run(5, TAPE)
        story.recipe(TAPE)
    kept.commit()
    assert [(run.order, run.since, run.until) for run in kept.runs.values() if run.order] == [
        ("B-1", 0, None)
    ]


def test_spans_of_one_order_that_follow_each_other_are_one():
    edge = Edge(0, 0, 0, 0, 0, 0)
    stay = Stay("e", None, None, "A1", None, None, False, None, edge, 0)
    runs = [Run("B-1", "R1", since, 0, 0, True, until=since + 10) for since in (0, 10)]
    [span] = spans("F1", stay, runs, 20)
    assert (span.possible, span.sure) == ((1, 20), (1, 20))
