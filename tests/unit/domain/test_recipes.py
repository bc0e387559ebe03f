"""What the recipe says of a slot: parts per panel, idle slots, alternates; usage learned without one."""

from __future__ import annotations

import random

import pytest

from service.domain.slot import learn_usage
from service.domain.state import SlotState
from tests.support.story import Story


def test_a_recipe_that_is_only_announced_changes_nothing_yet():
    story = Story()
    story.recipe({"F1": 10}, "A")
    story.recipe({"F2": 5}, "B", active=False)
    assert (story.sight("F1").usage, story.sight("F2").idle) == (10, True)


def test_the_last_active_recipe_rules():
    story = Story()
    story.recipe({"F1": 10}, "A")
    story.recipe({"F1": 12}, "B")
    assert story.sight("F1").usage == 12
    story.recipe({"F1": 10}, "A")
    assert story.sight("F1").usage == 10


def test_a_running_order_activates_its_recipe_where_it_is_known():
    story = Story()
    story.recipe({"F1": 10}, "A")
    story.recipe({"F1": 3}, "B", active=False)
    story.recipe({"F1": 10}, "A", station="P2")
    story.order("o1", "running", recipe="B", panels=100)
    assert story.sight("F1").usage == 3
    assert story.sight("F1", station="P2").usage == 10, "there B isn't known: the last active one rules"


def test_a_recipe_announced_after_its_order_began_rules_at_once():
    story = Story()
    story.recipe({"F1": 10}, "A")
    story.order("o1", "running", recipe="B", panels=100)
    story.recipe({"F1": 3}, "B", active=False)
    assert story.sight("F1").usage == 3
    story.order("o1", "finished")
    assert story.sight("F1").usage == 3


def test_the_recipe_that_an_order_activated_stays_active_after_it():
    story = Story()
    story.recipe({"F1": 10}, "A")
    story.recipe({"F1": 3}, "B", active=False)
    story.order("o1", "running", recipe="B", panels=100)
    story.order("o1", "finished")
    assert story.sight("F1").usage == 3


def test_retained_recipes_come_in_any_order_and_the_newest_active_one_rules():
    story = Story()
    story.recipe({"F1": 12}, "B", at=story.time(60), retained=True)
    story.recipe({"F1": 10}, "A", at=story.time(600), retained=True)
    assert story.sight("F1").usage == 12


def test_a_retained_recipe_that_is_known_is_no_news():
    story = Story()
    story.recipe({"F1": 10}, "A")
    story.recipe({"F1": 12}, "B")
    assert story.recipe({"F1": 10}, "A", retained=True) is None
    assert story.sight("F1").usage == 12


def test_a_slot_that_the_recipe_does_not_use_gives_no_notice():
    story = Story()
    story.recipe({"F1": 10})
    story.first("F1", "T2")
    story.load("T2", 2, kind="tray")
    assert story.sight("T2").idle
    assert story.case("T2") is None
    assert story.told == []


def test_a_usage_of_zero_is_a_slot_that_is_not_used():
    story = Story()
    story.recipe({"F1": 10, "T2": 0})
    assert story.sight("T2").idle


def test_a_notice_closes_when_the_next_recipe_does_not_use_its_slot():
    story = Story()
    story.recipe({"T2": 1}, "A")
    story.first("T2")
    story.load("T2", 5, kind="tray")
    assert story.live() == ["T2"]
    told = story.recipe({"F1": 10}, "B") or []
    assert story.words(told) == ["closed order done"]


@pytest.mark.parametrize(("usage", "quantity", "lasts"), [(0.5, 6, 12), (0.25, 6, 24), (2.5, 10, 4)])
def test_usage_may_be_a_fraction(usage, quantity, lasts):
    story = Story()
    story.recipe({"T2": usage})
    story.load("T2", quantity, kind="tray")
    story.counted("T2", quantity)
    case = story.case("T2")
    assert case is not None
    assert case.chance_within(lasts) > 0.99, "one panel more than it lasts"
    assert case.chance_within(lasts - 1) < 0.1


def test_what_the_panel_in_work_has_taken_is_not_needed_again():
    """Ten parts a panel, 104 left: ten panels. Six parts into the next panel 98 are left: still ten."""
    story = Story()
    story.recipe({"T2": 10})
    story.first("T2")
    story.load("T2", 114, kind="tray")
    story.run(1, {"T2": 10})
    story.count({"T2": (16, 0)}, session="s1", seq=50, panels=1)
    assert story.slot("T2").book == 98
    case = story.case("T2")
    assert case is not None
    assert case.question.horizon.taken == 6
    assert case.chance_within(9) < 0.5, "98 parts and the 6 placed are ten panels"
    assert case.chance_within(10) > 0.99


def test_what_a_panel_took_that_is_complete_is_not_credited_to_the_next():
    story = Story()
    story.recipe({"T2": 10, "F1": 1})
    story.first("T2", "F1")
    story.load("T2", 114, kind="tray")
    story.count({"T2": (6, 0)}, session="s1", seq=2, panels=0)
    story.count({"F1": (1, 0)}, session="s1", seq=3, panels=1)
    case = story.case("T2")
    assert case is not None
    assert case.question.horizon.taken == 0


# --- alternates -----------------------------------------------------------------------------------------


def pair(first: int, second: int, *, usage: int = 10) -> Story:
    story = Story()
    story.recipe({"F1": usage}, alternates=[["F1", "F2"]])
    story.first("F1", "F2")
    story.load("F1", first, kind="tray")
    story.load("F2", second, kind="tray")
    return story


def test_slots_that_feed_the_same_placements_last_as_long_as_both_together():
    story = pair(60, 200)
    assert story.live() == []
    for name in ("F1", "F2"):
        case = story.case(name)
        assert case is not None
        assert case.question.left.max() == 260


def test_a_group_gives_one_notice_whichever_of_it_feeds():
    story = pair(30, 200)
    story.run(10, {"F2": 10})
    assert story.live() == []
    story.run(3, {"F2": 10})
    assert story.words() == ["opened early"]
    assert story.live() == ["F1"], "the one with least left speaks, though the other feeds"
    story.run(5, {"F2": 10})
    story.run(2, {"F1": 10})
    assert story.words() == ["opened early", "changed urgent"]


def test_a_group_starves_only_when_all_of_it_are_empty():
    story = pair(20, 20)
    story.out("F1")
    assert story.emptyings() == ["opened early", "changed urgent"], "what is left in the other"
    story.green()
    story.out("F2")
    assert story.emptyings() == ["opened early", "changed urgent", "changed empty"]
    assert len(story.live()) == 1


def test_a_group_with_a_member_never_heard_of_does_not_starve():
    """The page is silent: nobody said that the other slot is empty."""
    story = Story()
    story.recipe({"F1": 10}, alternates=[["F1", "F2"]])
    story.load("F1", 500)
    assert story.emptyings(story.out("F1")) == ["opened urgent"]


def test_a_reel_that_is_moved_out_of_a_group_makes_the_group_due():
    story = pair(60, 200)
    story.load("F2", 200, kind="tray", supply="reel-1")
    told = story.load("F9", supply="reel-1") or []
    assert story.words(told) == ["opened early"]
    assert story.live() == ["F2"], "the empty one is where to bring a new reel"


def test_an_empty_member_counts_as_nothing_and_the_group_goes_on():
    story = pair(60, 200)
    story.remove("F1")
    case = story.case("F2")
    assert case is not None
    assert case.question.left.max() == 200
    story.out("F2")
    assert story.emptyings() == ["opened empty"]


def test_a_group_with_a_member_of_unknown_quantity_is_unknown():
    story = pair(60, 200)
    story.load("F1")
    assert story.case("F2") is None


def test_a_refill_of_the_other_member_closes_the_notice_of_the_group():
    story = pair(20, 20)
    assert story.words() == ["opened early"]
    assert story.live() == ["F1"]
    story.load("F2", 500, kind="tray")
    assert story.live() == []


def test_what_one_member_loses_is_expected_of_the_group():
    story = pair(2000, 0)
    story.run(1, {"F2": 300}, lost={"F2": 300})
    story.counted("F2", 0)
    story.counted("F1", 150)
    assert story.live() == []
    assert story.words(story.run(1, {"F1": 10})) == ["opened early"]


def test_after_a_person_closed_the_notice_of_a_group_no_other_member_opens_one_unless_worse():
    story = pair(30, 70)
    assert story.live() == ["F1"]
    story.close(story.notice("F1").id)
    assert story.run(5, {"F2": 10}) == []
    told = story.run(2, {"F1": 10})
    assert story.words(told) == ["opened urgent"]
    assert story.live() == ["F1"]


def test_what_the_panel_in_work_took_from_either_is_not_needed_again():
    story = pair(100, 100)
    story.count({"F1": (4, 0), "F2": (3, 0)}, session="s1", seq=2, panels=0)
    case = story.case("F1")
    assert case is not None
    assert case.question.horizon.taken == 7


def test_two_notices_become_one_when_a_recipe_makes_their_slots_a_group():
    story = Story()
    story.recipe({"F1": 10, "F2": 10}, "A")
    story.first("F1", "F2")
    story.load("F1", 50, kind="tray")
    story.load("F2", 20, kind="tray")
    assert story.live() == ["F1", "F2"]
    story.recipe({"F1": 10}, "B", alternates=[["F1", "F2"]])
    assert story.live() == ["F2"], "the louder one"


# --- usage learned from counts --------------------------------------------------------------------------


def learned(*reports: tuple[int, int]) -> float | None:
    slot = SlotState(name="F1")
    for placed, panels in reports:
        learn_usage(slot, placed, panels)
    return slot.learned


def test_without_any_recipe_usage_is_learned_from_counts():
    story = Story()
    story.first("F1")
    story.load("F1", 100, kind="tray")
    assert story.case("F1") is None
    story.run(3, {"F1": 4})
    assert story.sight("F1").usage == 4
    assert not story.sight("F1").by_recipe
    story.run(12, {"F1": 4})
    assert story.live() == ["F1"]


def test_a_recipe_rules_over_what_was_learned():
    story = Story()
    story.first("F1")
    story.run(6, {"F1": 4})
    story.recipe({"F1": 5})
    assert story.sight("F1").usage == 5


def test_panels_with_skipped_boards_do_not_lower_the_learned_usage():
    assert learned(*[(18, 1)] * 4, (9, 1), *[(18, 1)] * 4, (12, 1), (0, 1)) == 18


def test_reports_of_several_panels_are_divided():
    assert learned(*[(54, 3)] * 6) == 18


def test_parts_reported_within_a_panel_belong_to_the_panel():
    assert learned(*[(10, 0), (8, 1)] * 6) == 18


@pytest.mark.parametrize(
    "reports", [[(1, 1), (0, 1)] * 20, [(0, 1), (1, 1)] * 20, [(1, 2)] * 20], ids=["first", "then", "both"]
)
def test_every_second_panel_is_a_usage_of_a_half_however_it_is_reported(reports):
    assert learned(*reports[1:]) == pytest.approx(0.5)


def test_before_there_are_enough_reports_the_mean_is_the_usage():
    assert learned((18, 1), (9, 1)) == pytest.approx(13.5, rel=0.02)


def test_the_usage_that_was_learned_follows_a_change():
    assert learned(*[(18, 1)] * 300, *[(7, 1)] * 200) == 7


def test_what_was_placed_before_the_panels_were_first_said_is_no_part_of_the_learned_usage():
    story = Story()
    for seq in range(10):
        story.count({"F1": (18 * seq, 0)}, session="s1", seq=seq)
    for seq in range(10, 13):
        story.count({"F1": (18 * seq, 0)}, session="s1", seq=seq, panels=seq)
    assert story.sight("F1").usage == 18


def test_what_a_slot_placed_before_it_was_first_named_is_no_part_of_the_learned_usage():
    story = Story()
    story.count({"F1": 7}, session="a", seq=1, panels=1)
    story.count({"F1": 7}, session="b", seq=1, panels=1)
    story.count({"F1": 14, "F2": 180}, session="b", seq=2, panels=10)
    story.count({"F1": 21, "F2": 198}, session="b", seq=3, panels=11)
    assert story.sight("F2").usage == 18


def test_messages_without_panels_in_between_do_not_spoil_the_learned_usage():
    """A gateway that sends every slot's counts often, and the panels now and then."""
    story = Story()
    story.first("F1")
    for panel in range(1, 10):
        story.later(10).count({"F1": (18 * panel - 9, 0)}, session="s1", seq=3 * panel)
        story.later(10).count({"F1": (18 * panel, 0)}, session="s1", seq=3 * panel + 1, panels=panel)
    assert story.sight("F1").usage == 18
    assert not story.station().progress_estimated


@pytest.mark.parametrize(
    ("skipped", "reports", "right"),
    [
        (0.0, 2, 1.0),
        (0.0, 5, 1.0),
        (0.03, 5, 0.98),
        (0.03, 8, 0.99),
        (0.15, 5, 0.55),
        (0.15, 8, 0.83),
        (0.15, 20, 0.97),
    ],
)
def test_the_usage_is_learned_from_few_reports_though_boards_are_skipped(skipped, reports, right):
    """Brute force over panels of six boards. Two whole panels among them are enough, so the shares are
    those of the binomial distribution (0.996 of five reports at 0.03, 0.87 of eight at 0.15)."""
    chance = random.Random(18)
    found = 0
    for _ in range(1000):
        panels = [(4 * sum(chance.random() >= skipped for _ in range(6)), 1) for _ in range(reports)]
        found += learned(*panels) == 24
    assert found / 1000 >= right


def test_two_equal_reports_that_dont_follow_one_another_support_each_other():
    assert learned((18, 1), (12, 1), (9, 1), (15, 1), (18, 1)) == 18


def test_reports_that_merged_two_panels_are_no_usage():
    chance = random.Random(18)
    found = [learned(*[(36 if chance.random() < 0.02 else 18, 1) for _ in range(50)]) for _ in range(200)]
    assert found.count(18) >= 196
