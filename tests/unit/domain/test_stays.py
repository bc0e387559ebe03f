"""Which lot fed which panels: exchanges, joints, late words, refills nobody told, orders, what is undone."""

from __future__ import annotations

import pytest

from service.domain.policy import Policy, SlotRule
from service.domain.stays import Edge, Run, Stay, spans
from tests.support.lots import Kept
from tests.support.story import Story

TAPE = {"F1": 5}
TRAY = {"T1": 2}


def line(usage: dict[str, int], policy: Policy | None = None, *, quantity: int = 5000) -> tuple[Story, Kept]:
    """What it uses is known and was loaded as lot A1."""
    story = Story(policy)
    story.recipe(usage)
    story.first(*usage)
    for slot in usage:
        kind = "tray" if slot.startswith("T") else "tape"
        story.load(slot, quantity, kind=kind, part="R-10K", lot="A1", by="Ines", ago=0)
    return story, Kept(story)


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


# --- joints ---------------------------------------------------------------------------------------------


def test_a_joined_tape_feeds_once_the_books_say_that_the_one_before_is_over():
    story, kept = line(TAPE)
    story.load("F1", 50, lot="A1", ago=0)
    story.join("F1", 5000, lot="A2", by="Mira", ago=0)
    story.run(9, TAPE)
    first, second = kept.of("F1")[-2:]
    assert (first.stay.feeds, second.stay.begun.at) == (True, None)
    story.run(3, TAPE)
    first, second = kept.of("F1")[-2:]
    assert (first.stay.how, first.stay.used) == ("joint passed", 50)
    assert first.stay.ended == second.stay.begun
    assert second.stay.begun.at == story.now - 40_000_002


def test_how_far_labels_err_is_doubt_at_a_joint():
    story, kept = line(TAPE, quantity=500)
    story.run(1, TAPE)
    story.join("F1", 500, lot="A2", ago=0)
    story.run(140, TAPE)
    [(_, before, surely)] = kept.panels("A1")
    [(_, after, surely_after)] = kept.panels("A2")
    assert surely is not None
    assert surely_after is not None
    assert 80 < surely[1] < 100 < before[1] < 120
    assert (after[0], surely_after[0]) == (surely[1] + 1, before[1] + 1)


def test_where_a_person_counted_what_was_left_only_the_panel_of_the_joint_is_in_doubt():
    story, kept = line(TAPE)
    story.run(10, TAPE)
    story.counted("F1", 52, ago=0)
    story.join("F1", 5000, lot="A2", ago=0)
    story.run(20, TAPE)
    assert kept.panels("A1") == [(None, (1, 21), (2, 20))]
    assert kept.panels("A2") == [(None, (21, 30), (22, 30))]


def test_a_tape_whose_joint_never_passed_fed_nothing():
    story, kept = line(TAPE)
    story.run(10, TAPE)
    story.join("F1", 5000, lot="A2", ago=0)
    story.load("F1", 5000, lot="A3", by="Mira", ago=0)
    story.run(3, TAPE)
    assert kept.panels("A2") == []
    assert (kept.one("A2").stay.used, kept.one("A2").stay.how) == (0, "loaded over")
    assert (kept.one("A1").stay.how, kept.one("A1").stay.ended_by) == ("loaded over", "Mira")


def test_a_splice_chain_counts_down_as_the_published_one():
    """A100 g0, A80, splice B200 behind A80, use 50: A30; detected: B200 g10; use 5: B195 g5; use 5: B190 g0;
    use 50: B140. Source: class comment of ``MaterialPackage`` in the CFX SDK (IPC-2591), as noted in the
    project's reference, 6.3; that the second use is 5 is worked out."""
    story = Story()
    story.recipe(TAPE)
    story.first("F1")
    story.load("F1", 100, lot="A", kind="tape", ago=0)
    story.run(4, TAPE)
    story.join("F1", 200, lot="B", ago=0)
    story.run(10, TAPE)
    assert story.slot("F1").book == 30 + 200
    story.supply("spliced", "F1", grey=10, ago=0)
    kept = Kept(story)
    assert kept.one("A").stay.used == 70
    grey = []
    for _ in range(2):
        story.run(1, TAPE)
        grey.append((story.slot("F1").book, story.slot("F1").grey_zone))
    story.run(10, TAPE)
    assert grey == [(195, 5), (190, 0)]
    assert story.slot("F1").book == 140
    assert kept.used(kept.one("B")) == 60
    assert kept.panels("A") == [(None, (1, 16), (2, 14))]
    assert kept.panels("B") == [(None, (15, 26), (17, 26))]


def test_what_was_used_and_what_was_spoiled_both_came_out_of_the_supply():
    """SLOT22 of the example of ``MaterialsConsumed`` in the CFX SDK (IPC-2591): 42 used, 2 spoiled, 344
    remain after that, as noted in the project's reference, 6.2."""
    story, kept = line(TAPE, quantity=388)
    story.count({"F1": (42, 2)}, session="s1", panels=9)
    assert (kept.used(kept.one("A1")), story.slot("F1").book) == (44, 344)


def test_where_a_reel_was_changed_within_a_panel_both_are_recorded_for_it():
    """Traceability of materials by IPC-1782, level M2: where the exact material can't be determined, as when
    a reel was changed during the cycle, there is more than one record for the place. Second hand: a public
    draft of a schema with the standard's elements; the standard itself wasn't opened."""
    story, kept = line(TAPE)
    story.run(10, TAPE)
    story.load("F1", 5000, lot="A2", ago=0)
    story.run(10, TAPE)
    of_panel = [
        lot for lot in ("A1", "A2") for _, (first, last), _ in kept.panels(lot) if first <= 11 <= last
    ]
    assert of_panel == ["A1", "A2"]


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
