"""A recipe that the counts contradict: told once, and not obeyed until they agree again."""

from __future__ import annotations

import random
from typing import Any

import pytest

from service.domain.recipes import KIND
from tests.support.story import Story

SAID = {"F1": 18, "F2": 6, "F3": 4, "F4": 2}


def station(said: dict[str, float] | None = None, **more: Any) -> Story:
    story = Story()
    story.recipe(said or SAID, "R1", **more)
    story.first(*(said or SAID))
    return story


def open_ones(story: Story) -> list[str]:
    return [
        each.notice.message
        for each in story.world.standing.values()
        if each.notice is not None and each.notice.kind == KIND
    ]


def test_a_slot_that_takes_more_than_the_recipe_says_is_found_in_five_reports() -> None:
    story = station()
    story.run(4, SAID | {"F1": 24})
    assert (story.sight("F1").by_recipe, open_ones(story)) == (True, [])
    story.run(1, SAID | {"F1": 24})
    assert (story.sight("F1").by_recipe, story.sight("F1").usage) == (False, 24)
    assert story.words() == ["opened recipe"]
    (said,) = open_ones(story)
    assert said.startswith("L3 P1: recipe R1 doesn't agree with the counts. F1 takes 24 parts a panel by the")
    assert said.endswith(" counts, not 18. The forecast goes by the counts.")
    assert all(story.sight(name).by_recipe for name in ("F2", "F3", "F4"))


def test_a_slot_that_takes_less_is_found_too() -> None:
    story = station()
    story.run(6, SAID | {"F1": 12})
    assert story.sight("F1").usage == 12
    assert story.words() == ["opened recipe"]


def test_a_warning_comes_by_the_usage_that_the_counts_show() -> None:
    story = station()
    story.load("F1", 24 * 30, kind="tray")
    story.run(19, SAID | {"F1": 24})
    assert story.emptyings() == []
    assert story.emptyings(story.run(1, SAID | {"F1": 24})) == ["opened early"], "10 left by 24, 13 by 18"


def test_one_slot_alone_is_found_where_it_takes_more_but_not_less_for_that_may_be_skipped_boards() -> None:
    more, less = station({"F1": 18}), station({"F1": 18})
    more.run(8, {"F1": 24})
    less.run(8, {"F1": 12})
    assert (more.sight("F1").by_recipe, less.sight("F1").by_recipe) == (False, True)


def test_skipped_boards_lower_all_alike_and_contradict_nothing() -> None:
    story = station({"F1": 16, "F2": 8, "F3": 4})
    story.run(30, {"F1": 12, "F2": 6, "F3": 3})
    assert story.words() == []
    story.run(8, {"F1": 12, "F2": 6, "F3": 6})
    assert story.sight("F3").usage == 8, "what it takes of a whole panel"


def test_one_that_agrees_begins_the_row_anew() -> None:
    story = station()
    for _ in range(5):
        story.run(4, SAID | {"F1": 24})
        story.run(1, SAID)
    assert story.words() == []
    assert story.slot("F1").usage_off == 0


def test_reports_that_disagree_among_themselves_are_no_reason() -> None:
    story = station()
    for each in (24, 30, 12, 22, 36, 27, 14, 24):
        story.run(1, SAID | {"F1": each})
    assert story.words() == []


def test_it_is_over_when_they_agree_again() -> None:
    story = station()
    story.run(6, SAID | {"F1": 24})
    story.run(1, SAID)
    assert story.words() == ["opened recipe", "closed ended"]
    assert (story.sight("F1").usage, story.sight("F1").by_recipe) == (18, True)


@pytest.mark.parametrize("how", ["another", "corrected", "ordered"])
def test_it_is_over_when_the_recipe_changes(how: str) -> None:
    story = station()
    story.run(6, SAID | {"F1": 24})
    if how == "another":
        story.recipe(SAID | {"F1": 10}, "R2")
    elif how == "corrected":
        story.recipe(SAID | {"F1": 24}, "R1")
    else:
        story.recipe(SAID | {"F1": 10}, "R2", active=False)
        story.order("B-2214", "running", recipe="R2", panels=100)
    assert story.words() == ["opened recipe", "closed ended"]
    assert story.sight("F1").by_recipe


def test_a_recipe_that_is_wrong_all_over_is_one_notice() -> None:
    story = station()
    story.run(12, {"F1": 36, "F2": 12, "F3": 8, "F4": 3})
    assert story.words() == ["opened recipe"]
    assert [story.sight(name).usage for name in SAID] == [36, 12, 8, 3]


def test_reports_over_several_panels_are_divided() -> None:
    story = station()
    for report in range(1, 7):
        slots = {name: (3 * report * (24 if name == "F1" else usage), 0) for name, usage in SAID.items()}
        story.count(slots, session="s1", seq=1 + report, panels=3 * report)
    assert story.sight("F1").usage == 24


def test_alternates_are_not_held_against_the_recipe() -> None:
    story = station({"F1": 10, "F2": 10, "F3": 4}, alternates=[["F1", "F2"]])
    story.run(10, {"F1": 17, "F3": 4})
    assert story.words() == []


@pytest.mark.parametrize("mode", ["dry", "setup"])
def test_runs_without_parts_say_nothing_of_a_recipe(mode: str) -> None:
    story = station()
    story.run(10, SAID | {"F1": 24}, mode=mode)
    assert story.words() == []


def test_what_comes_after_a_hole_says_nothing_of_a_recipe() -> None:
    story = station()
    for _ in range(10):
        story.seq["P1"] += 1
        story.run(1, SAID | {"F1": 24})
    assert story.slot("F1").usage_off == 0


def test_every_second_panel_is_a_usage_of_a_half() -> None:
    story = station({"F1": 0.5, "F2": 4, "F3": 6})
    for _ in range(20):
        story.run(1, {"F1": 1, "F2": 4, "F3": 6})
        story.run(1, {"F1": 0, "F2": 4, "F3": 6})
    assert story.words() == []


@pytest.mark.parametrize("period", [0.31, 0.55, 0.8, 0.9, 1.05, 1.12, 1.2, 1.3, 1.7, 2.4])
def test_a_gateway_that_asks_in_the_middle_of_panels_contradicts_nothing(period: float) -> None:
    """Counts taken every so many panels, part of the panel in work placed already, as the machine goes on."""
    story = station()
    for report in range(1, 400):
        done = report * period
        slots = {name: (int(done * usage), 0) for name, usage in SAID.items()}
        story.later(20)
        story.count(slots, session="s1", seq=1 + report, panels=int(done))
    assert story.words() == []


@pytest.mark.parametrize("seed", range(3))
def test_boards_skipped_at_random_contradict_nothing_and_hide_nothing(seed: int) -> None:
    chance = random.Random(seed)
    story = station({"F1": 16, "F2": 8, "F3": 4, "F4": 12})
    truth = {"F1": 16, "F2": 8, "F3": 4, "F4": 20}
    for _ in range(200):
        boards = sum(chance.random() > 0.15 for _ in range(4))
        story.run(1, {name: usage * boards // 4 for name, usage in truth.items()})
    assert [story.sight(name).by_recipe for name in truth] == [True, True, True, False]
    assert story.sight("F4").usage == pytest.approx(20, rel=0.05)
    assert story.words() == ["opened recipe"]
