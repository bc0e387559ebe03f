"""Supply messages, supplies that have a name, and refills that nobody reported."""

from __future__ import annotations

import pytest

from service.domain.policy import Policy, SlotRule
from tests.support.story import HOUR, Story

FULL = Policy(slots=[SlotRule(slot="T*", kind="tray", full=40), SlotRule(slot="F*", kind="tape", full=4000)])


def line_of_trays(policy: Policy | None = None, quantity: int | None = 40) -> Story:
    """T2 uses one part a panel and has just been loaded."""
    story = Story(policy)
    story.recipe({"T2": 1, "F1": 10})
    story.first("T2", "F1")
    story.load("T2", quantity, kind="tray")
    story.load("F1", 100_000)
    return story


def use(story: Story, panels: int) -> None:
    story.run(panels, {"T2": 1, "F1": 10})


# --- loaded, joined, counted, removed -------------------------------------------------------------------


def test_loaded_replaces_what_was_there():
    story = line_of_trays()
    use(story, 10)
    story.load("T2", 160, part="MCU-48Q", lot="A77")
    slot = story.slot("T2")
    assert (slot.book, slot.part, slot.lot, slot.kind) == (160, "MCU-48Q", "A77", "tray")


def test_a_tap_that_names_nothing_means_the_same_again():
    story = Story(FULL)
    story.load("T2", 38, part="MCU-48Q", lot="A77")
    story.load("T2", by="badge 31")
    slot = story.slot("T2")
    assert (slot.kind, slot.part, slot.lot) == ("tray", "MCU-48Q", None)
    assert (slot.book, slot.assumed) == (40, True)


def test_joined_adds_to_what_is_left():
    story = Story()
    story.first("F1")
    story.load("F1", 1000)
    story.run(10, {"F1": 90})
    story.join("F1", 4000, lot="B2")
    assert story.slot("F1").book == 4100
    assert story.slot("F1").lot == "B2"


def test_joined_to_a_tape_that_is_booked_empty_counts_the_new_tape_alone():
    story = Story()
    story.first("F1")
    story.load("F1", 100)
    story.run(11, {"F1": 10})
    story.join("F1", 4000)
    assert story.slot("F1").book == 4000


def test_a_tape_that_was_joined_to_itself_again_has_become_no_longer():
    """The page is silent: a torn tape is spliced, under the name that it has."""
    story = Story(FULL)
    story.first("F1")
    story.load("F1", 1000, supply="reel-1")
    story.run(10, {"F1": 20})
    story.join("F1", supply="reel-1")
    assert (story.slot("F1").book, story.slot("F1").supply) == (800, "reel-1")


def test_a_tape_joined_without_a_quantity_makes_the_whole_assumed():
    story = Story(FULL)
    story.first("F1")
    story.load("F1", 500)
    story.join("F1")
    assert (story.slot("F1").book, story.slot("F1").assumed) == (4500, True)


def test_an_assumed_quantity_stays_assumed_when_a_declared_tape_is_joined():
    story = Story(FULL)
    story.first("F1")
    story.load("F1")
    story.join("F1", 500)
    assert (story.slot("F1").book, story.slot("F1").assumed) == (4500, True)


def test_joined_to_what_nobody_knows_stays_unknown():
    story = Story()
    story.first("F1")
    story.join("F1", 4000, kind="tape")
    assert story.slot("F1").book is None
    assert story.slot("F1").kind == "tape"


def test_joined_to_an_empty_slot_is_all_there_is():
    story = line_of_trays(quantity=20)
    use(story, 18)
    story.out("T2")
    story.join("T2", 30)
    assert story.slot("T2").book == 30
    story.remove("T2")
    story.join("T2", 25)
    assert story.slot("T2").book == 25


def test_what_a_person_counted_is_exact():
    story = Story()
    story.load("F1", 4000, kind="tape")
    story.counted("F1", 1234)
    slot = story.slot("F1")
    assert (slot.book, slot.exact, slot.assumed) == (1234, True, False)
    story.recipe({"F1": 10})
    case = story.case("F1")
    assert case is not None
    assert set(case.question.left.tolist()) == {1234.0}


def test_removed_leaves_the_numbers_unknown_and_holds_placements_apart():
    story = line_of_trays()
    use(story, 10)
    story.remove("T2")
    use(story, 1)
    slot = story.slot("T2")
    assert (slot.book, slot.removed, slot.held) == (None, True, 1)
    assert story.case("T2") is None


def test_a_loading_after_a_removal_forgets_what_was_held_apart():
    story = line_of_trays()
    story.remove("T2")
    use(story, 1)
    story.load("T2", 40)
    assert story.slot("T2").book == 40


def test_a_repeated_id_changes_nothing_even_between_other_messages():
    story = line_of_trays()
    assert story.load("T2", 50, id="x1") == []
    use(story, 10)
    story.counted("T2", 41, id="x2")
    assert story.load("T2", 50, id="x1") is None
    assert story.counted("T2", 50, id="x2") is None
    assert story.slot("T2").book == 41


def test_without_an_id_equal_messages_of_one_moment_are_one_and_different_ones_are_two():
    story = Story()
    story.first("F1")
    at = story.time()
    story.load("F1", 1000, at=at)
    story.join("F1", 500, at=at, lot="B1")
    assert story.join("F1", 500, at=at, lot="B1") is None
    assert story.join("F1", 500, at=at, lot="B2") == []
    assert story.slot("F1").book == 2000


def test_without_id_and_time_each_tap_counts():
    story = Story()
    story.load("F1", 1000)
    story.join("F1", 500)
    story.join("F1", 500)
    assert story.slot("F1").book == 2000


def test_a_wrong_part_is_applied_all_the_same():
    story = Story()
    story.recipe({"F1": 10}, parts={"F1": "R-10K"})
    story.load("F1", 1000, part="C-22N")
    assert (story.slot("F1").part, story.slot("F1").book) == ("C-22N", 1000)


def test_more_than_a_slot_can_hold_is_believed_as_declared():
    story = Story(FULL)
    story.load("T2", 9999)
    assert story.slot("T2").book == 9999


# --- the usual quantity ---------------------------------------------------------------------------------


def test_a_quantity_left_out_is_the_usual_one_and_is_only_assumed():
    story = Story(FULL)
    story.recipe({"T2": 1})
    story.load("T2")
    assert (story.slot("T2").book, story.slot("T2").assumed) == (40, True)
    case = story.case("T2")
    assert case is not None
    assert len(set(case.question.left.tolist())) > 1, "honest doubt, a tray too"


def test_a_quantity_left_out_is_unknown_where_no_usual_one_is_configured():
    story = Story()
    story.recipe({"F1": 10})
    story.load("F1", kind="tape")
    assert story.slot("F1").book is None
    assert story.case("F1") is None


def test_a_declared_tray_is_exact_and_a_declared_tape_is_not():
    story = Story()
    story.recipe({"T2": 1, "F1": 10})
    story.load("T2", 40, kind="tray")
    story.load("F1", 4000, kind="tape")
    tray, tape = story.case("T2"), story.case("F1")
    assert tray is not None
    assert tape is not None
    assert len(set(tray.question.left.tolist())) == 1
    assert len(set(tape.question.left.tolist())) > 1


def test_kind_and_part_come_from_the_configuration_until_somebody_says_another():
    rule = SlotRule(slot="T2", kind="tray", part="MCU-48Q")
    story = Story(Policy(slots=[rule]))
    story.first("T2", "T3")
    assert (story.slot("T2").kind, story.slot("T2").part) == ("tray", "MCU-48Q")
    story.load("T2", 40, kind="stick", part="MCU-32Q")
    assert (story.slot("T2").kind, story.slot("T2").part) == ("stick", "MCU-32Q")


def test_kind_and_part_that_are_configured_later_reach_the_slots_that_are_known():
    story = Story()
    story.first("T2")
    story.set_policy(Policy(slots=[SlotRule(slot="T2", kind="tray", part="MCU-48Q")]))
    assert (story.slot("T2").kind, story.slot("T2").part) == ("tray", "MCU-48Q")


# --- supplies that have a name --------------------------------------------------------------------------


def test_a_named_supply_taken_out_and_loaded_again_keeps_what_is_left():
    story = line_of_trays()
    story.load("T2", 40, supply="tray-1", part="MCU-48Q", lot="A77")
    use(story, 15)
    story.remove("T2")
    story.later(HOUR)
    story.load("T2", supply="tray-1")
    slot = story.slot("T2")
    assert (slot.book, slot.part, slot.lot, slot.assumed) == (25, "MCU-48Q", "A77", False)


def test_a_named_supply_moved_to_another_slot_takes_what_is_left_along_and_ends_its_loading_here():
    story = line_of_trays()
    story.load("T2", 20, supply="tray-1", part="MCU-48Q")
    use(story, 12)
    assert story.live() == ["T2"]
    told = story.load("T3", supply="tray-1") or []
    assert story.words(told)[0] == "closed removed"
    assert story.slot("T3").book == 8
    assert (story.slot("T3").kind, story.slot("T3").part) == ("tray", "MCU-48Q")
    assert (story.slot("T2").book, story.slot("T2").removed, story.slot("T2").supply) == (None, True, None)


def test_a_named_supply_moved_to_another_line_takes_what_is_left_along():
    story = line_of_trays()
    story.load("T2", 20, supply="tray-1")
    use(story, 12)
    story.load("T9", line="L4", station="P7", supply="tray-1")
    assert story.slot("T9", line="L4", station="P7").book == 8
    assert story.slot("T2").removed


def test_what_is_believed_of_a_named_supply_goes_along_with_its_doubt():
    story = Story(FULL)
    story.first("F1")
    story.load("F1", supply="reel-1")
    story.run(10, {"F1": 100}, lost={"F1": 1})
    story.load("F2", supply="reel-1")
    slot = story.slot("F2")
    assert (slot.declared, slot.book, slot.assumed) == (4000, 2990, True)
    story.load("F2", 1000, supply="reel-2")
    story.count({"F2": 0}, session="s1", seq=50, counts="delta")
    story.count({"F2": 7}, session="s1", seq=53, counts="delta")
    story.load("F5", supply="reel-2")
    assert (story.slot("F5").blind, story.slot("F5").missing) == (7, 14)
    story.load("F2", supply="reel-1")
    story.counted("F2", 2980)
    story.load("F3", supply="reel-1")
    assert (story.slot("F3").book, story.slot("F3").exact) == (2980, True)


def test_a_quantity_that_is_said_counts_more_than_what_was_believed():
    story = line_of_trays()
    story.load("T2", 40, supply="tray-1")
    use(story, 15)
    story.load("T3", 31, supply="tray-1")
    assert story.slot("T3").book == 31


def test_another_supply_loaded_in_its_place_leaves_the_named_one_with_what_was_left():
    story = line_of_trays()
    story.load("T2", 40, supply="tray-1")
    use(story, 15)
    story.load("T2", 40, supply="tray-2")
    use(story, 5)
    story.load("T2", 40)
    story.load("T3", supply="tray-1")
    story.load("T4", supply="tray-2")
    assert (story.slot("T3").book, story.slot("T4").book) == (25, 35)
    assert (story.slot("T2").book, story.slot("T2").removed) == (40, False)


def test_a_named_supply_that_ran_out_holds_nothing():
    story = line_of_trays()
    story.load("T2", 40, supply="tray-1")
    use(story, 37)
    story.out("T2")
    story.load("T2", 40, supply="tray-2")
    story.load("T3", supply="tray-1")
    assert story.slot("T3").book == 0


def test_a_named_supply_that_was_refilled_unseen_is_no_longer_in_the_slot():
    story = line_of_trays(FULL)
    story.load("T2", 20, supply="tray-1")
    use(story, 18)
    story.out("T2")
    story.green()
    use(story, 1)
    assert story.words()[-2:] == ["closed seen refilled", "opened question"]
    story.load("T3", supply="tray-1")
    assert story.slot("T3").book == 0
    assert not story.slot("T2").removed


def test_a_late_count_of_the_loading_before_is_charged_to_the_supply_that_was_in_it():
    story = line_of_trays()
    story.load("T2", 40, supply="tray-1")
    use(story, 10)
    story.later(60).load("T2", 40, supply="tray-2")
    story.load("T5", supply="tray-1")
    story.later(60)
    story.count({"T2": 14}, session="s1", seq=99, panels=14, ago=90)
    assert (story.slot("T2").book, story.slot("T5").book) == (40, 26)


def test_a_named_tape_that_is_joined_comes_with_what_is_left_in_it_and_leaves_its_other_slot():
    story = Story()
    story.first("F1", "F2")
    story.load("F1", 1000, supply="reel-1")
    story.load("F2", 500, supply="reel-2")
    story.run(10, {"F1": 20, "F2": 20})
    story.join("F1", supply="reel-2")
    assert story.slot("F1").book == 800 + 300
    assert story.slot("F2").removed
    story.load("F3", supply="reel-1")
    assert story.slot("F3").book == 0


# --- refills that nobody reported -----------------------------------------------------------------------


def test_after_a_removal_placements_for_two_panels_are_a_refill():
    story = line_of_trays(FULL)
    story.remove("T2")
    use(story, 1)
    assert story.slot("T2").removed
    use(story, 1)
    slot = story.slot("T2")
    assert (slot.removed, slot.book, slot.assumed) == (False, 38, True)


def test_after_a_removal_and_an_out_signal_placements_count_once():
    story = line_of_trays(FULL)
    story.remove("T2")
    story.out("T2")
    use(story, 1)
    assert (story.slot("T2").removed, story.slot("T2").held) == (True, 1)
    use(story, 1)
    assert story.slot("T2").book == 38


def test_after_a_removal_placements_for_two_panels_are_a_refill_where_usage_is_unknown_too():
    story = Story()
    story.first("T2")
    story.remove("T2")
    story.count({"T2": 1}, session="s1", seq=2, panels=1)
    assert story.slot("T2").removed
    story.count({"T2": 2}, session="s1", seq=3, panels=2)
    assert not story.slot("T2").removed
    assert story.slot("T2").book is None, "nobody knows the usual quantity"


def test_new_placements_after_the_out_signal_are_a_refill_once_the_station_no_longer_waits():
    story = line_of_trays(FULL, quantity=20)
    use(story, 18)
    story.out("T2")
    assert story.notice("T2").level == "empty"
    story.green()
    use(story, 1)
    assert story.words()[-2:] == ["closed seen refilled", "opened question"]
    slot = story.slot("T2")
    assert (slot.book, slot.assumed) == (39, True)
    assert story.live() == []


def test_a_late_count_of_the_panel_in_work_is_no_refill_while_the_station_waits():
    story = line_of_trays(FULL, quantity=20)
    use(story, 18)
    story.out("T2")
    use(story, 1)
    assert story.notice("T2").level == "empty"
    assert story.live() == ["T2"]


def test_placements_that_go_on_for_two_panels_are_a_refill_though_the_tower_still_says_out():
    story = line_of_trays(FULL, quantity=20)
    use(story, 18)
    story.out("T2")
    use(story, 2)
    assert story.words()[-2:] == ["closed seen refilled", "opened question"]
    assert story.slot("T2").book == 38


def test_counts_taken_before_the_out_signal_are_no_refill_when_they_come_after_it():
    story = line_of_trays(FULL, quantity=20)
    use(story, 18)
    story.later(60)
    story.out("T2")
    story.green()
    story.count({"T2": 20}, session="s1", seq=50, panels=20, ago=30)
    assert story.live() == ["T2"]


def test_an_out_signal_of_another_slot_does_not_hide_a_refill():
    story = line_of_trays(FULL, quantity=20)
    use(story, 18)
    story.out("T2")
    story.out("F1")
    use(story, 1)
    assert story.slot("T2").out_since is None


def test_placements_beyond_what_the_slot_could_hold_are_a_refill():
    story = line_of_trays(FULL, quantity=20)
    use(story, 22)
    assert story.live() == ["T2"]
    use(story, 1)
    assert story.words()[-2:] == ["closed seen refilled", "opened question"]
    slot = story.slot("T2")
    assert (slot.book, slot.assumed) == (37, True)


def test_a_tape_may_hold_more_than_its_label_says_before_a_refill_is_believed():
    story = Story(FULL)
    story.recipe({"F1": 10})
    story.first("F1")
    story.load("F1", 1000)
    story.run(103, {"F1": 10})
    assert story.slot("F1").book == -30
    assert "closed seen refilled" not in story.words()
    story.run(30, {"F1": 10})
    assert "closed seen refilled" in story.words()


def test_a_refill_that_was_seen_leaves_the_quantity_unknown_where_no_usual_one_is_configured():
    story = line_of_trays(quantity=20)
    use(story, 23)
    assert story.words()[-2:] == ["closed seen refilled", "opened question"]
    assert (story.slot("T2").book, story.slot("T2").assumed) == (None, False)


def test_the_next_emptying_after_a_refill_that_was_seen_has_a_notice_of_its_own():
    story = line_of_trays(FULL, quantity=20)
    use(story, 15)
    first = story.notice("T2").id
    use(story, 8)
    use(story, 35)
    assert story.notice("T2").id != first
    assert story.live() == ["T2"]


def test_losses_alone_are_no_refill():
    story = line_of_trays(FULL, quantity=20)
    use(story, 18)
    story.remove("T2")
    story.run(1, {"T2": 0}, lost={"T2": 1})
    assert story.slot("T2").removed


def test_counts_taken_before_the_removal_are_no_refill_when_they_come_after_it():
    story = line_of_trays(FULL)
    story.load("T2", 40, supply="tray-1")
    use(story, 10)
    story.later(300)
    story.remove("T2")
    story.later(60)
    for panel in range(11, 16):
        story.count({"T2": panel}, session="s1", seq=panel + 40, panels=panel, ago=360 - 20 * (panel - 10))
    assert story.slot("T2").removed
    story.load("T2", supply="tray-1")
    assert story.slot("T2").book == 25, "the removed one gave them"


def test_late_counts_of_before_the_out_signal_are_not_taken_from_the_refill_that_followed_it():
    story = line_of_trays(FULL, quantity=20)
    use(story, 18)
    story.later(60)
    story.out("T2")
    story.green()
    story.later(60).count({"T2": 19}, session="s1", seq=50, panels=19, ago=0)
    assert story.slot("T2").book == 39
    story.count({"T2": 1}, session="s1", seq=49, panels=1, ago=100, counts="delta")
    assert story.slot("T2").book == 39


@pytest.mark.parametrize("change", ["loaded", "joined", "counted"])
def test_a_word_about_the_supply_ends_the_out_signal(change):
    story = line_of_trays(quantity=20)
    use(story, 18)
    story.out("T2")
    story.supply(change, "T2", quantity=60)
    assert story.slot("T2").out_since is None
    assert story.slot("T2").book == 60


def test_panels_that_are_said_before_their_parts_are_booked_once():
    """By a topic for each value: the panel, then what was loaded, then what was placed."""
    story = line_of_reels()
    story.later(6).supply("loaded", "F1", quantity=1000, id="new", ago=2)
    assert story.slot("F1").book == 1000

    other = line_of_reels()
    other.later(6)
    other.count({}, session="s1", seq=900, panels=21, ago=0)
    other.supply("loaded", "F1", quantity=1000, id="new", ago=2)
    other.count({"F1": (21 * 18, 0)}, session="s1", seq=901, panels=21, ago=0)
    assert other.slot("F1").book == 1000 - 18


def line_of_reels() -> Story:
    """Twenty panels of a reel with takt and usage known; a panel every takt."""
    story = Story()
    story.recipe({"F1": 18})
    story.first("F1")
    story.load("F1", 5000)
    story.run(20, {"F1": 18})
    return story
