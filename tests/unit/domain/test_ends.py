"""When a supply is over, as stories: what is learned of it, what sensors and joints say, what is asked."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from math import hypot

import pytest

from service.domain.history import law_key
from service.domain.law import doubt
from service.domain.policy import Policy, SlotRule
from tests.support.story import Story

SENSOR = Policy(slots=[SlotRule(slot="F*", low_sensor=True)])


def feeding(left: int = 1000, *, policy: Policy | None = None, usage: int = 10, **more: object) -> Story:
    story = Story(policy)
    story.recipe({"F1": usage})
    story.first("F1")
    story.load("F1", left, kind="tape", **more)
    return story


def run_out(story: Story, panels: int, *, usage: int = 10, lost: int = 0) -> None:
    """So many panels, then the signal, a new one."""
    story.green()
    story.run(panels, {"F1": usage}, lost={"F1": lost})
    story.out("F1")


def ends_of(story: Story, part: str | None = None, basis: str = "label"):
    return story.world.memory.learned[law_key("tape", part)].ends[basis]


# --- what is learned ---------------------------------------------------------------------------------------


def test_a_supply_that_ran_out_teaches_how_much_was_in_it():
    story = feeding(1000, part="R-10K")
    run_out(story, 90, lost=1)
    assert law_key("tape") not in story.world.memory.learned, "counts of before may still come"
    story.load("F1", 1000, kind="tape", part="R-10K")
    (end,) = ends_of(story)
    assert (end.declared, end.counted, end.empty, end.lost) == (1000, 990, True, 90)
    assert ends_of(story, "R-10K") == [end]


def test_counts_that_come_after_the_signal_belong_to_the_supply_that_ran_out():
    story = feeding(1000)
    run_out(story, 97)
    story.run(1, {"F1": 10})
    story.green()
    story.load("F1", 1000)
    assert ends_of(story)[0].counted >= 970


def test_a_supply_exchanged_near_its_end_is_known_to_have_held_more():
    story = feeding(1000)
    story.run(99, {"F1": 10})
    story.load("F1", 1000)
    assert [(end.counted, end.empty) for end in ends_of(story)] == [(990, False)]


def test_a_supply_exchanged_long_before_its_end_teaches_nothing():
    story = feeding(1000)
    story.run(50, {"F1": 10})
    story.load("F1", 1000)
    assert law_key("tape") not in story.world.memory.learned


def test_a_persons_count_says_how_much_there_was():
    story = feeding(1000)
    story.run(50, {"F1": 10})
    story.counted("F1", 480)
    (end,) = ends_of(story)
    assert (end.declared, end.counted, end.empty) == (1000, 980, True)


def test_books_with_a_hole_teach_nothing():
    story = feeding(1000)
    story.run(90, {"F1": 10})
    story.count({"F1": (10, 0)}, session="s1", seq=story.seq["P1"] + 3, panels=1, counts="delta")
    assert story.slot("F1").missing
    story.out("F1")
    story.load("F1", 1000)
    assert law_key("tape") not in story.world.memory.learned


def test_misses_in_the_last_parts_are_a_short_supply_not_a_worse_feeder():
    """The feeder runs on over the empty end of a tape: eight picks in the last panel find nothing."""
    story = feeding(1000)
    story.run(98, {"F1": 10})
    evidence = story.slot("F1").lost_evidence
    story.run(1, {"F1": 10}, lost={"F1": 8})
    story.out("F1")
    story.load("F1", 1000)
    (end,) = ends_of(story)
    assert end.counted in (990, 991), "the eight are not counted as parts that were there"
    assert end.lost in (0, 1)
    assert story.slot("F1").lost_evidence == pytest.approx(evidence, abs=1.0)


def test_a_slot_that_reports_no_losses_learns_them_from_what_is_missing_at_the_end():
    story = Story()
    story.recipe({"F1": 10})
    story.count({"F1": 0}, session="s", seq=1, panels=0)
    placed = 0
    for reel in range(3):
        story.load("F1", 1000, kind="tape")
        for panel in range(96):
            placed += 10
            story.later(20).count({"F1": placed}, session="s", seq=2 + reel * 96 + panel, panels=placed // 10)
        story.out("F1")
    story.load("F1", 1000)
    slot, sight = story.slot("F1"), story.sight("F1")
    odds = (sight.prior.a + slot.lost_evidence) / (sight.prior.b + slot.placed_evidence)
    assert odds == pytest.approx(40 / 960, rel=0.35)
    assert ends_of(story)[-1].hidden > ends_of(story)[0].hidden


def test_what_is_learned_changes_the_forecast_of_the_next_supply():
    story = feeding(1000)
    for _ in range(12):
        run_out(story, 94)
        story.load("F1", 1000)
    story.run(80, {"F1": 10})
    case = story.case("F1")
    assert case is not None
    assert case.chance_within(16) > 0.6, "94 panels as always, not 100"
    assert case.chance_within(12) < 0.1


def test_a_supply_said_to_hold_less_than_its_like_goes_by_the_law_of_used_ones():
    story = feeding(1000, part="R-10K")
    run_out(story, 98)
    story.load("F1", 1000, part="R-10K")
    assert not story.slot("F1").partial
    run_out(story, 98)
    story.load("F1", 400, part="R-10K")
    assert story.slot("F1").partial
    run_out(story, 39)
    story.load("F1", 1000, part="R-10K")
    assert [end.declared for end in ends_of(story, basis="partial")] == [400]


# --- what is asked -----------------------------------------------------------------------------------------


def test_a_signal_that_the_books_can_not_believe_is_asked_about_once():
    story = feeding(1000)
    story.run(30, {"F1": 10})
    assert story.words(story.out("F1")) == ["opened question", "opened empty"]
    assert "700 of 1,000" in story.told[-2].notice.message
    story.green()
    assert story.emptyings(story.out("F1")) == story.words(story.out("F1")) == []
    assert story.words(story.load("F1", 1000)) == ["closed refilled", "closed refilled"]


def test_a_signal_near_the_end_of_the_books_is_not_asked_about():
    story = feeding(1000)
    story.run(95, {"F1": 10})
    assert "opened question" not in story.words(story.out("F1"))


# --- a sensor ----------------------------------------------------------------------------------------------


def sensor_story(mark: int = 80) -> Story:
    """Three supplies in which the sensor said low ``mark`` parts before the end, then a fourth one."""
    story = feeding(1000, policy=SENSOR)
    for _ in range(3):
        story.run((1000 - mark) // 10, {"F1": 10})
        story.tower("F1", yellow="flashing")
        run_out(story, mark // 10)
        story.green()
        story.load("F1", 1000)
    return story


def test_a_sensor_that_was_right_before_says_how_much_is_left():
    story = sensor_story()
    assert story.slot("F1").sensor_marks == [80, 80, 80]
    story.run(75, {"F1": 10})
    story.tower("F1", yellow="flashing")
    case = story.case("F1")
    assert case is not None
    left = case.question.left
    assert 75 <= left.min() <= left.max() <= 85, "whatever the books say: 250"
    story.run(3, {"F1": 10})
    case = story.case("F1")
    assert case is not None
    assert 45 <= case.question.left.min() <= case.question.left.max() <= 55


def test_a_sensor_that_is_silent_says_that_there_is_more():
    story = sensor_story()
    story.run(96, {"F1": 10})
    case = story.case("F1")
    assert case is not None
    assert case.question.left.min() > 75, "whatever the books say: 40"


def test_a_low_signal_that_the_machine_reckons_itself_is_no_evidence():
    story = feeding(1000)
    for _ in range(3):
        story.run(92, {"F1": 10})
        story.tower("F1", yellow="flashing")
        run_out(story, 8)
        story.green()
        story.load("F1", 1000)
    story.run(60, {"F1": 10})
    before = story.case("F1")
    story.tower("F1", yellow="flashing")
    after = story.case("F1")
    assert before is not None
    assert after is not None
    assert before.question.left.tolist()[0] >= 300
    assert story.slot("F1").sensor_marks == []


# --- joints ------------------------------------------------------------------------------------------------


def splice_chain() -> Story:
    story = Story()
    story.recipe({"F1": 5})
    story.first("F1")
    story.load("F1", 100, kind="tape", supply="A")
    story.run(4, {"F1": 5})
    story.join("F1", 200, supply="B")
    return story


def test_a_joint_that_passes_overrules_the_count():
    """The chain in the class comment of MaterialPackage in the IPC-2591 (CFX) SDK, read: A 100, used to 80, B
    200 joined, used to A 30; the sensor sees the joint: B 200 with a grey zone of 10; 5 used: 195, grey 5; 5
    used: 190, grey 0; 50 used: 140."""
    story = splice_chain()
    slot = story.slot("F1")
    assert slot.book == 280
    story.run(10, {"F1": 5})
    assert slot.book == 230
    story.supply("spliced", "F1", grey=10)
    assert (slot.book, slot.grey_zone) == (200, 10)
    story.run(1, {"F1": 5})
    assert (slot.book, slot.grey_zone) == (195, 5)
    story.run(1, {"F1": 5})
    assert (slot.book, slot.grey_zone) == (190, 0)
    story.run(10, {"F1": 5})
    assert (slot.book, slot.grey_zone) == (140, 0)
    assert slot.supply == "B"


def test_what_the_joint_wrote_off_is_learned():
    story = splice_chain()
    story.run(14, {"F1": 5})
    story.supply("spliced", "F1")
    (end,) = ends_of(story)
    assert (end.declared, end.counted, end.empty) == (100, 90, True)


def test_without_a_sensor_joined_labels_err_together():
    story = splice_chain()
    alone, joined = feeding(300, usage=5), story
    assert joined.slot("F1").joints == 1
    spread = joined.sight("F1").law
    single = alone.sight("F1").law
    assert spread.highest - spread.lowest > 1.3 * (single.highest - single.lowest)


def joined_again_and_again(labels: Sequence[int]) -> Story:
    """Each tape is joined when ten parts are left of those before, and the last used up but for one part."""
    story = Story()
    story.recipe({"F1": 1})
    story.load("F1", labels[0], kind="tape")
    story.count({"F1": (0, 0)}, session="a", seq=1, panels=0)
    used = 0
    for seq, (label, more) in enumerate(pairwise([*labels, 0]), start=2):
        used += label
        left = 10 if more else 1
        story.later(label).count({"F1": (used - left, 0)}, session="a", seq=seq, panels=used - left)
        if more:
            story.join("F1", more)
    return story


@pytest.mark.parametrize("labels", [(460, 1046, 843, 1020), (5000, 5000), (60, 10_000), (2000,) * 12])
def test_joined_labels_err_by_the_root_of_what_each_errs_by_squared(labels):
    """Deviations of independent errors add in quadrature (propagation of errors)."""
    law = joined_again_and_again(labels).sight("F1").law
    together = hypot(*(doubt(each)[1] for each in labels))
    assert law.deviate_of(law.mean + together) == pytest.approx(1.0, abs=0.06)


def test_a_tape_joined_three_times_is_due_when_the_books_are_used_up():
    """Its end may be farther from the books than a single reel's, but not as if all of it were one reel."""
    case = joined_again_and_again((460, 1046, 843, 1020)).case("F1")
    assert case is not None
    assert case.chance_within(10) > 0.3


def test_a_joint_that_nobody_made_changes_nothing():
    story = feeding(1000)
    story.run(3, {"F1": 10})
    before = story.slot("F1").book
    story.supply("spliced", "F1")
    assert story.slot("F1").book == before
