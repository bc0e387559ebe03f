"""A line's plan from its forecasts: what is exchanged in one stop, what meanwhile, and what needs nothing."""

from __future__ import annotations

from typing import Any

from service.domain.policy import PlanRules, Policy, SlotRule
from service.usecases.planned import plan_object
from tests.support.story import Story

RULES = PlanRules(margin_panels=1, waste_share=0.1)


def plan(story: Story, *, panels: int = 200) -> Any:
    """Of what is in the slots now."""
    found: Any = plan_object(story.world, "L3", panels=panels)
    for stop in found["stops"]:
        stop["exchanges"] = [each for each in stop["exchanges"] if each["emptying"] == 1]
    found["stops"] = [stop for stop in found["stops"] if stop["exchanges"]]
    found["meanwhile"] = [each for each in found["meanwhile"] if each["emptying"] == 1]
    return found


def line(**left: int) -> Story:
    """Trays of 60 (``T…``) and reels of 1,000 (``F…``, ten a panel); twenty seconds a panel."""
    rules = [SlotRule(slot="T*", kind="tray", full=60), SlotRule(slot="F*", kind="tape", full=1000)]
    story = Story(Policy(slots=rules, plan=RULES))
    usage = {slot: 1 if slot.startswith("T") else 10 for slot in left}
    story.recipe(usage, parts={slot: f"part-{slot}" for slot in left})
    story.first(*left)
    story.run(4, usage)
    for slot, quantity in left.items():
        story.load(slot, quantity, kind="tray" if slot.startswith("T") else "tape")
    return story


def slots(stop: Any) -> list[str]:
    return [each["slot"] for each in stop["exchanges"]]


def test_trays_whose_windows_meet_are_one_stop_and_others_another():
    """With 6 parts that may be thrown away T1 has (2, 7) and T2 (6, 11): both at 7. Of 40 one may
    be lost on the way, so T3 is safe to 39, with the margin 38."""
    found = plan(line(T1=8, T2=12, T3=40))
    assert [(stop["panels"], slots(stop)) for stop in found["stops"]] == [(7, ["T1", "T2"]), (38, ["T3"])]
    (one, two) = found["stops"][0]["exchanges"]
    assert (one["from_panels"], one["by_panels"]) == (2, 7)
    assert (two["from_panels"], two["by_panels"]) == (6, 11)
    assert one["part"] == "part-T1"


def test_a_stop_has_the_clock_time_of_its_panel():
    story = line(T1=8)
    (stop,) = plan(story)["stops"]
    assert story.time(ago=0)[:16] == "2026-03-02T06:01"
    assert stop["at"][:19] == "2026-03-02T06:03:40"  # seven panels of twenty seconds after 06:01:20


def test_a_tape_needs_no_stop_and_is_done_in_the_order_of_its_end():
    found = plan(line(F1=300, F2=150))
    assert found["stops"] == []
    assert [each["slot"] for each in found["meanwhile"]] == ["F2", "F1"]
    assert all(each["late"] is False for each in found["meanwhile"])


def test_what_one_pair_of_hands_can_not_do_in_time_is_said():
    found = plan(line(**{f"F{number}": 60 for number in range(6)}))
    assert any(each["late"] for each in found["meanwhile"])


def test_what_outlasts_the_known_orders_has_no_part_in_the_plan():
    story = line(T1=8, T2=50)
    story.order("B-1", "queued", recipe="R1", panels=20)
    story.order("B-1", "running", recipe="R1", panels=20)
    assert [slots(stop) for stop in plan(story)["stops"]] == [["T1"]]


def test_what_is_further_than_asked_is_left_out():
    assert [slots(stop) for stop in plan(line(T1=8, T2=50), panels=30)["stops"]] == [["T1"]]


def test_of_slots_that_feed_the_same_placements_the_emptiest_is_exchanged():
    story = line(F1=300, F2=150)
    story.recipe({"F1": 10, "F2": 10}, alternates=[["F1", "F2"]])
    assert [each["slot"] for each in plan(story)["meanwhile"]] == ["F2"]


def test_without_a_quantity_there_is_nothing_to_plan():
    story = Story()
    story.first("T1")
    story.run(4, {"T1": 1})
    assert (plan(story)["stops"], plan(story)["meanwhile"]) == ([], [])
