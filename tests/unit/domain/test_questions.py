"""Refills nobody reported: the question that is asked once, the word that comes late, and what is then
believed."""

from __future__ import annotations

import pytest

from service.domain.life import Taken
from service.domain.model import Notice
from service.domain.policy import Policy, SlotRule
from service.domain.world import World
from tests.support.story import Story

FULL = Policy(slots=[SlotRule(slot="T*", kind="tray", full=40), SlotRule(slot="F*", kind="tape", full=4000)])


def out_of_trays(policy: Policy | None = FULL, *, panels: int = 5) -> Story:
    """T2 ran out, somebody refilled it without a word, and it has given ``panels`` parts since."""
    story = Story(policy)
    story.recipe({"T2": 1})
    story.first("T2")
    story.load("T2", 20)
    story.run(20, {"T2": 1})
    story.out("T2")
    story.later(120).green()
    story.run(panels, {"T2": 1})
    return story


def question(story: Story) -> Notice:
    (standing,) = story.world.standing.values()
    assert standing.notice is not None
    return standing.notice


def test_a_refill_that_nobody_reported_is_asked_about_once():
    story = out_of_trays()
    assert story.words().count("opened question") == 1
    assert question(story).message == (
        "L3 P1 T2 was refilled and nobody said with what. 40 parts are assumed: is that right?"
    )


def test_where_no_usual_quantity_is_known_the_question_asks_for_it():
    assert question(out_of_trays(None)).message == (
        "L3 P1 T2 was refilled and nobody said with what. How many parts were loaded?"
    )


@pytest.mark.parametrize(("quantity", "left", "assumed"), [(None, 35, True), (60, 55, False)])
def test_a_late_word_says_what_the_refill_was_and_what_was_used_since_stays_used(quantity, left, assumed):
    story = out_of_trays()
    story.load("T2", quantity, by="Oke")
    slot = story.slot("T2")
    assert (slot.book, slot.assumed) == (left, assumed)
    assert story.words()[-1] == "closed answered"
    assert not story.world.standing


def test_a_splice_reported_late_is_a_word_about_the_refill_too():
    story = Story(FULL)
    story.recipe({"F1": 10})
    story.first("F1")
    story.load("F1", 500)
    story.run(80, {"F1": 10})
    assert story.words()[-1] == "opened question"
    used = story.slot("F1").counted
    story.join("F1", 4000)
    assert (story.slot("F1").book, story.slot("F1").assumed) == (4000 - used, False)


def test_a_word_after_more_than_half_of_it_was_used_is_about_the_next_supply():
    story = out_of_trays(panels=25)
    story.load("T2", 40)
    assert story.slot("T2").book == 40
    assert story.words()[-2:] == ["closed refilled", "closed refilled"], "the notice and the question"


def test_a_word_of_an_earlier_moment_is_about_the_refill_however_much_was_used():
    story = out_of_trays(panels=25)
    story.load("T2", 60, ago=25 * story.takt + 60)
    assert story.slot("T2").book == 60 - 25


def test_a_second_word_is_about_another_supply():
    story = out_of_trays()
    story.load("T2", 60)
    story.load("T2", 60)
    assert story.slot("T2").book == 60


def test_a_count_answers_the_question_and_is_exact():
    story = out_of_trays()
    story.counted("T2", 33)
    assert (story.slot("T2").book, story.slot("T2").exact) == (33, True)
    assert story.words()[-1] == "closed answered"


def test_a_removal_ends_the_question():
    story = out_of_trays()
    story.remove("T2")
    assert story.words()[-1] == "closed removed"
    assert not story.world.standing


def test_an_unanswered_question_ends_with_the_next_refill_and_that_is_asked_about_anew():
    story = out_of_trays(panels=40)
    first = question(story).id
    story.out("T2")
    story.later(60).green()
    story.run(1, {"T2": 1})
    assert story.words()[-3:] == ["closed seen refilled", "closed seen refilled", "opened question"]
    assert question(story).id != first


def test_people_may_take_quiet_and_close_a_question():
    story = out_of_trays()
    name = question(story).id
    story.take(name, "Ilse")
    assert question(story).taken_by == "Ilse"
    with pytest.raises(Taken):
        story.take(name, "Oke")
    story.quiet(name, panels=2)
    assert question(story).state == "quiet"
    story.run(2, {"T2": 1})
    assert question(story).state == "taken"
    story.quiet(name, seconds=60)
    story.pass_time(61)
    assert question(story).state == "taken"
    story.close(name, reason="counted on paper")
    assert not story.world.standing
    with pytest.raises(KeyError):
        story.close(name)


def test_a_question_survives_a_restart():
    story = out_of_trays()
    story.world.touch_all()
    states = {key: data for key, data in story.world.take_changes().items() if data is not None}
    assert World.from_states(states).standing == story.world.standing


# --- What is believed of a refill that was seen from counts ----------------------------------------------


def refilled_early(*, told: bool = True) -> Story:
    """A full reel goes in while the old one has ten panels left; nobody says so. A panel takes 100 parts."""
    story = Story(FULL)
    story.recipe({"F1": 100})
    story.first("F1")
    if told:
        story.load("F1", 4000)
    story.run(30, {"F1": 100})
    return story


def test_parts_that_may_have_gone_before_a_refill_was_seen_are_doubted():
    """People were told some panels before the end and may have refilled at any moment since."""
    story = refilled_early()
    story.run(15, {"F1": 100})
    assert story.words()[-1] == "opened question"
    slot = story.slot("F1")
    assert slot.book is not None
    case = story.case("F1")
    assert case is not None
    believed = float(case.question.left @ case.question.weight)
    assert slot.book - 1200 < believed < slot.book - 400
    assert case.question.left.max() <= slot.book + 200


def test_the_end_of_a_low_signal_says_when_a_refill_took_place():
    story = refilled_early()
    story.run(8, {"F1": 100})
    story.tower("F1", yellow="flashing")
    story.run(1, {"F1": 100})
    story.green()
    story.run(6, {"F1": 100})
    assert story.words()[-1] == "opened question"
    assert story.slot("F1").book == 4000 - 600
    assert story.slot("F1").unseen == 0.0


def test_a_low_signal_that_flickers_says_nothing():
    story = refilled_early()
    story.tower("F1", yellow="flashing")
    story.green()
    story.tower("F1", yellow="flashing")
    assert story.slot("F1").low_ended is None


def test_where_the_quantity_is_unknown_the_end_of_a_low_signal_proves_a_refill_after_two_panels():
    story = refilled_early(told=False)
    story.tower("F1", yellow="flashing")
    story.run(3, {"F1": 100})
    story.green()
    story.run(1, {"F1": 100})
    assert story.slot("F1").book is None
    story.run(1, {"F1": 100})
    assert story.words()[-2:] == ["closed seen refilled", "opened question"]
    assert (story.slot("F1").book, story.slot("F1").assumed) == (4000 - 200, True)


# --- Words that come late, of a moment that is named ------------------------------------------------------


def test_a_supply_message_that_comes_late_takes_the_panels_since_its_moment_from_the_new_supply():
    story = refilled_early()
    story.load("F1", 3000, ago=0)
    story.run(10, {"F1": 100})
    story.load("F1", 4000, ago=6 * story.takt - 5)
    assert story.slot("F1").book == 4000 - 600


def test_the_supply_that_was_in_the_slot_then_has_back_what_it_did_not_give():
    story = refilled_early()
    story.load("F1", 3000, ago=0, supply="reel-1")
    story.run(10, {"F1": 100})
    story.load("F1", 4000, ago=6 * story.takt - 5, supply="reel-2")
    stock = story.world.supplies["reel-1"].stock
    assert stock is not None
    assert stock.declared - stock.counted == 3000 - 400


def test_a_late_word_from_a_source_whose_clock_is_merely_slow_takes_nothing():
    """Its first message may be late or its clock slow: nobody can tell, so nothing is taken back."""
    story = refilled_early()
    story.load("F1", 4000, ago=6 * story.takt)
    assert story.slot("F1").book == 4000


# --- The machine's low lamp against our books --------------------------------------------------------------


def three_reels(*, at_the_third: int) -> Story:
    """The lamp comes on at 300 parts of each reel; the third comes to it ``at_the_third`` by our books."""
    story = Story()
    story.recipe({"F1": 100})
    story.first("F1")
    for left in (300, 300, at_the_third):
        story.load("F1", left + 1000)
        story.run(10, {"F1": 100})
        story.tower("F1", yellow="flashing")
        if left != at_the_third or at_the_third == 300:
            story.green()
    return story


def test_a_low_lamp_that_comes_while_the_books_say_much_more_puts_the_surplus_in_doubt():
    """The reel was loaded earlier than somebody said: ten panels of it may be gone."""
    story = three_reels(at_the_third=1300)
    assert story.slot("F1").unseen == 1000
    assert story.slot("F1").book == 1300


def test_a_low_lamp_that_comes_as_always_is_no_news():
    assert three_reels(at_the_third=300).slot("F1").unseen == 0.0
    assert three_reels(at_the_third=450).slot("F1").unseen == 0.0, "less than two panels more"


def test_a_first_low_lamp_teaches_and_says_nothing():
    story = Story()
    story.recipe({"F1": 100})
    story.first("F1")
    story.load("F1", 5000)
    story.tower("F1", yellow="flashing")
    assert (story.slot("F1").unseen, story.slot("F1").low_books) == (0.0, [5000])


def test_another_part_has_another_threshold():
    story = three_reels(at_the_third=300)
    story.load("F1", 9000, part="OTHER")
    story.tower("F1", yellow="flashing")
    assert story.slot("F1").unseen == 0.0
