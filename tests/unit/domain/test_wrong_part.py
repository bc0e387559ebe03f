"""A part that its slot doesn't want: what is told of it, and until when."""

import pytest

from service.domain import floor
from service.domain.events import Checked
from service.domain.policy import Policy, Substitute
from tests.support.story import Story


@pytest.fixture
def story() -> Story:
    story = Story(Policy(substitutes=(Substitute(part="R-10K", instead=("R-10K-B",)),)))
    story.first("F07", "T1")
    story.recipe({"F07": 4, "T1": 1}, parts={"F07": "R-10K", "T1": "MCU-48Q"})
    return story


def check(story: Story, slot: str, part: str, by: str = "Ines") -> list[str]:
    story.now += 1
    checked = Checked(slot=slot, part=part, by=by)
    told = floor.apply(story.world, checked, line="L3", station="P1", at=story.now)
    return story.words(story._heard(told) or [])


def wrong(story: Story):
    return [
        standing.notice
        for standing in story.world.standing.values()
        if standing.notice is not None and standing.notice.kind == "wrong part"
    ]


def test_a_wrong_part_that_was_loaded_is_applied_and_told(story):
    told = story.load("F07", 5000, part="C-100N", kind="tape", by="badge 31")

    assert story.slot("F07").part == "C-100N"
    assert story.words(told) == ["opened wrong part"]
    (notice,) = wrong(story)
    assert (notice.slot, notice.part, notice.level, notice.state) == ("F07", "C-100N", "urgent", "open")
    assert notice.message == (
        "L3 P1 F07: badge 31 loaded C-100N, and R-10K belongs there."
        " Bring one reel of R-10K; exchange while it runs."
    )


def test_nobody_is_named_who_is_not_known_and_a_tray_waits_for_the_boundary(story):
    story.load("T1", 40, part="X-1", kind="tray")

    assert wrong(story)[0].message == (
        "L3 P1 T1: X-1 was loaded, and MCU-48Q belongs there. Bring one tray of MCU-48Q;"
        " exchange between two panels, by a stop at the end of the panel."
    )


def test_the_right_part_and_a_substitute_raise_none(story):
    assert story.words(story.load("F07", 5000, part="R-10K")) == []
    assert story.words(story.load("F07", 5000, part="R-10K-B")) == []


def test_what_names_no_part_says_nothing_of_the_part(story):
    assert story.words(story.load("F07", 5000)) == []
    story.load("F07", 5000, part="C-100N")

    assert story.words(story.load("F07", 5000)) == ["closed refilled", "opened wrong part"]  # the same again


@pytest.mark.parametrize(
    ("deed", "because"),
    [
        (lambda story: story.load("F07", 5000, part="R-10K"), "refilled"),
        (lambda story: story.remove("F07"), "removed"),
        (lambda story: story.recipe({"F07": 4}, name="R2", parts={"F07": "C-100N"}), "ended"),
        (lambda story: story.recipe({"T1": 4}, name="R2", parts={"T1": "MCU-48Q"}), "ended"),
        (
            lambda story: story.set_policy(
                Policy(substitutes=(Substitute(part="R-10K", instead=("C-100N",)),))
            ),
            "ended",
        ),
    ],
)
def test_it_is_over_once_the_slot_holds_what_it_wants(story, deed, because):
    story.load("F07", 5000, part="C-100N")

    told = deed(story)

    assert f"closed {because}" in story.words(told)
    assert wrong(story) == []


def test_an_order_that_comes_to_run_with_the_part_ends_it(story):
    story.recipe({"F07": 2}, name="R2", active=False, parts={"F07": "C-100N"})
    story.order("A", "running", recipe="R1", panels=100)
    story.load("F07", 5000, part="C-100N")

    assert story.words(story.order("B", "running", recipe="R2", panels=10)) == ["closed ended"]


def test_a_right_tape_behind_a_wrong_one_ends_nothing_yet(story):
    story.join("F07", 5000, part="C-100N", kind="tape")

    assert story.words(story.join("F07", 5000, part="R-10K")) == []
    assert story.words(story.load("F07", 5000, part="R-10K")) == ["closed refilled"]


def test_a_named_supply_that_is_wrong_is_told_of_without_its_part(story):
    story.load("T1", 40, part="MCU-48Q", supply="tray 9")

    assert "opened wrong part" in story.words(story.load("F07", supply="tray 9"))


def test_a_late_word_of_a_load_before_the_recipe_changed_tells_of_nothing_wrong(story):
    story.later(600)
    story.recipe({"F07": 4}, name="R2", parts={"F07": "R-22K"}, at=story.time())
    story.later(30)

    assert "opened wrong part" not in story.words(story.load("F07", 5000, part="R-10K", ago=300))
    assert "opened wrong part" in story.words(story.load("F07", 5000, part="R-10K", ago=10))


# Refused before it was loaded


def test_a_refused_part_is_told_and_nothing_is_loaded(story):
    assert check(story, "F07", "C-100N") == ["opened wrong part"]
    (notice,) = wrong(story)
    assert notice.loading is None
    assert notice.message == (
        "L3 P1 F07: Ines was about to load C-100N, and R-10K belongs there. Nothing was loaded."
        " Bring one supply of R-10K; exchange while it runs."
    )


def test_the_same_part_shown_again_is_no_news_and_another_is(story):
    check(story, "F07", "C-100N")

    assert check(story, "F07", "C-100N", by="Tom") == []
    assert check(story, "F07", "X-9") == ["closed answered", "opened wrong part"]


def test_a_right_part_shown_and_an_unknown_slot_change_nothing(story):
    assert check(story, "F07", "R-10K") == []
    assert check(story, "F99", "R-10K") == []
    assert "F99" not in story.station().slots


def test_loading_the_right_part_after_a_refusal_ends_it(story):
    check(story, "F07", "C-100N")

    assert story.words(story.load("F07", 5000, part="R-10K")) == ["closed refilled"]


def test_what_is_wrong_in_the_slot_outweighs_what_is_shown(story):
    story.load("F07", 5000, part="C-100N")

    assert check(story, "F07", "X-9") == []


# Accepted by a person


def test_whoever_accepts_it_with_a_reason_has_taken_it_and_nobody_is_called(story):
    told = story.load("F07", 5000, part="C-100N", by="Ines", reason="released by quality, form 12")

    assert [(each.change, each.calls) for each in told] == [("opened", False)]
    (notice,) = wrong(story)
    assert (notice.state, notice.taken_by, notice.reason) == ("taken", "Ines", "released by quality, form 12")
    assert notice.message == (
        "L3 P1 F07: C-100N in place of R-10K, accepted by Ines: released by quality, form 12"
    )


def test_the_reason_stays_once_the_part_is_out(story):
    story.load("F07", 5000, part="C-100N", by="Ines", reason="released")

    (told,) = story.remove("F07", by="Tom")

    assert (told.notice.state, told.notice.reason, told.notice.closed_by) == ("closed", "released", "Tom")


def test_a_reason_without_a_name_is_no_acceptance(story):
    story.load("F07", 5000, part="C-100N", reason="because")

    assert (wrong(story)[0].state, wrong(story)[0].reason) == ("open", None)
