"""Whether a supply belongs in a slot."""

import pytest

from service.domain.checklists import changes_of, steps
from service.domain.fitting import Verdict, in_slot
from service.domain.policy import CareRule, Policy, SlotRule, Substitute
from tests.support.story import Story

SUBSTITUTES = (
    Substitute(part="R-10K-0402", instead=("R-10K-0402-B", "R-10K1-0402")),
    Substitute(part="C-100N", instead=("C-120N",), line="L4"),
)


@pytest.fixture
def story() -> Story:
    story = Story(Policy(substitutes=SUBSTITUTES))
    story.recipe({"F07": 4, "F08": 2, "F09": 1}, parts={"F07": "R-10K-0402", "F08": "C-100N"})
    return story


def verdict(story: Story, slot: str, part: str | None, usual: str | None = None) -> Verdict:
    return fit(story, slot, part, usual)[0]


def fit(story: Story, slot: str, part: str | None, usual: str | None = None) -> tuple[Verdict, str]:
    station = story.station()
    line, policy = story.world.line("L3"), story.world.policy
    found = in_slot(line, station, station.slots[slot], part, policy, usual, at=story.now)
    return found.verdict, found.said.text


def test_the_part_that_the_recipe_names_is_right_and_another_is_wrong(story):
    assert verdict(story, "F07", "R-10K-0402") is Verdict.RIGHT
    assert fit(story, "F07", "C-100N") == (
        Verdict.WRONG,
        "{part} is wrong: the recipe wants {wanted} in slot {slot}.",
    )


def test_what_is_loaded_now_says_nothing_about_what_is_wanted(story):
    story.load("F07", 100, part="C-100N")

    assert verdict(story, "F07", "C-100N") is Verdict.WRONG


def test_a_listed_substitute_passes_where_it_is_listed(story):
    assert verdict(story, "F07", "R-10K1-0402") is Verdict.SUBSTITUTE
    assert verdict(story, "F08", "C-120N") is Verdict.WRONG  # listed for another line


def test_a_part_that_can_not_be_read_or_that_nobody_asked_for_is_unknown(story):
    assert verdict(story, "F07", None) is Verdict.UNKNOWN
    assert verdict(story, "F09", "X-1") is Verdict.UNKNOWN


def test_where_no_recipe_names_a_part_the_configured_one_counts(story):
    assert verdict(story, "F09", "X-1", usual="X-1") is Verdict.RIGHT
    assert verdict(story, "F09", "X-2", usual="X-1") is Verdict.WRONG


def test_the_parts_of_slots_that_feed_the_same_placements_stand_in_for_one_another(story):
    usage = {"F07": 4, "F08": 4}
    story.recipe(usage, parts={"F07": "A", "F08": "B"}, alternates=[["F07", "F08"]])

    assert verdict(story, "F07", "A") is Verdict.RIGHT
    assert verdict(story, "F07", "B") is Verdict.SUBSTITUTE
    assert verdict(story, "F07", "C") is Verdict.WRONG


def test_a_member_of_a_group_that_no_part_is_named_for_wants_that_of_the_others(story):
    story.recipe({"F07": 4}, parts={"F07": "A"}, alternates=[["F07", "F08"]])

    assert verdict(story, "F08", "A") is Verdict.RIGHT


def changeover(story: Story) -> None:
    """Order A of 3 panels runs, B with other parts in F07 and F10 is queued."""
    story.first("F07", "F08")
    usage = {"F07": 2, "F10": 1}
    story.recipe(usage, name="R2", active=False, parts={"F07": "D-1", "F10": "D-2"})
    story.order("A", "running", recipe="R1", panels=3)
    story.order("B", "queued", recipe="R2", panels=50)


def test_while_an_order_runs_the_next_one_asks_only_for_slots_that_it_does_not_use(story):
    changeover(story)

    assert verdict(story, "F07", "D-1") is Verdict.WRONG
    assert fit(story, "F10", "D-2") == (
        Verdict.RIGHT,
        "{part} is right: order {order} comes next and wants it.",
    )


def test_once_the_order_is_done_here_the_next_one_says_what_is_wanted(story):
    changeover(story)
    story.run(3, {"F07": 4, "F08": 2})

    assert verdict(story, "F07", "D-1") is Verdict.RIGHT
    assert fit(story, "F07", "R-10K-0402") == (
        Verdict.WRONG,
        "{part} is wrong: order {order} comes next and wants {wanted} in slot {slot}.",
    )


def test_where_no_order_says_what_runs_a_station_that_stands_may_be_set_up_for_another_recipe(story):
    story.recipe({"F07": 2}, name="R2", active=False, parts={"F07": "D-1"})
    story.first("F07", "F08")
    story.run(5, {"F07": 4, "F08": 2})
    assert verdict(story, "F07", "D-1") is Verdict.WRONG

    story.later(301)

    assert verdict(story, "F07", "D-1") is Verdict.UNKNOWN
    assert verdict(story, "F07", "Z-9") is Verdict.WRONG
    story.order("A", "running", recipe="R1", panels=50)
    assert verdict(story, "F07", "D-1") is Verdict.WRONG


def test_a_slot_that_no_known_order_uses_wants_nothing_that_could_be_wrong(story):
    story.load("F30", 100, part="Z-9")

    assert fit(story, "F30", "Z-9") == (
        Verdict.UNKNOWN,
        "No known order uses slot {slot}: nobody can say whether {part} belongs there.",
    )


def test_a_configured_part_holds_where_there_is_no_recipe_at_all():
    story = Story(Policy(slots=[SlotRule(slot="F07", part="A")]))
    story.load("F07", 100)

    assert verdict(story, "F07", "A", usual="A") is Verdict.RIGHT


# What each exchange asks


def test_a_tape_is_joined_while_it_lasts_and_changed_once_it_is_empty():
    assert changes_of("tape", empty=False) == ("joined", "loaded")
    assert changes_of("tape", empty=True) == ("loaded", "joined")
    assert changes_of("tray", empty=False) == ("loaded",)


def test_the_most_specific_configured_steps_are_said_in_place_of_the_usual_ones():
    policy = Policy(
        cares=(
            CareRule(kind="tray", steps=("for any tray",)),
            CareRule(kind="tray", station="P2", steps=("for a tray at P2", "and a second step")),
        )
    )

    def said(station: str, kind: str, change: str) -> list[object]:
        asked = steps(policy, line="L3", station=station, kind=kind, change=change)
        return [step.values.get("step", step.text) for step in asked]

    assert said("P1", "tray", "loaded") == ["for any tray"]
    assert said("P2", "tray", "loaded") == ["for a tray at P2", "and a second step"]
    assert said("P2", "tape", "joined")[0] == "Compare part and lot with the label."
