"""What a line's plan goes by: breaks and changeovers, what stands ready, hands, costs; and what would be
without it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pytest

from service.domain import floor
from service.domain.model import SECOND
from service.domain.planning import next_plan
from service.domain.policy import DAYS, PartCost, PlanRules, Policy, Shift, SlotRule
from service.usecases.planned import plan_object
from service.web.plan import PlanView
from tests.support.story import Story

SLOTS = [SlotRule(slot="T*", kind="tray", full=60), SlotRule(slot="F*", kind="tape", full=1000)]
"""Trays of 60, one part a panel; reels of 1,000, ten a panel; twenty seconds a panel."""


def line(*, shifts: tuple[Shift, ...] = (), rules: Mapping[str, Any] | None = None, **left: int) -> Story:
    plan = PlanRules(**({"waste_share": 0.1} | dict(rules or {})))
    story = Story(Policy(slots=SLOTS, plan=plan, shifts=shifts))
    usage = {slot: 1 if slot.startswith("T") else 10 for slot in left}
    story.recipe(usage, parts={slot: f"part-{slot}" for slot in left})
    story.first(*left)
    story.run(12, usage)
    for slot, quantity in left.items():
        story.load(slot, quantity, kind="tray" if slot.startswith("T") else "tape")
    return story


def plan(story: Story, *, panels: int = 30) -> Any:
    """So few panels ahead that each slot is emptied once."""
    found = plan_object(story.world, "L3", panels=panels, at=story.now)
    PlanView.model_validate(found)
    return found


def shift(*breaks: str) -> tuple[Shift, ...]:
    return (Shift(days=DAYS, start="00:00", end="00:00", breaks=breaks),)


def stops(found: Any) -> list[tuple[int, list[str]]]:
    return [(stop["panels"], [each["slot"] for each in stop["exchanges"]]) for stop in found["stops"]]


# Where the line stands anyway


def test_a_break_in_the_window_is_where_trays_are_exchanged():
    """At 06:04 twelve panels have passed; until the break at 06:07 nine more do, ten if it is quick."""
    (stop,) = plan(line(T1=12, T2=14, shifts=shift("06:07-06:17")))["stops"]
    assert (stop["at_break"], stop["at_changeover"], stop["at"]) == (True, False, "2026-03-02T06:07:00.000Z")
    assert 9 <= stop["panels"] <= 10
    assert [each["slot"] for each in stop["exchanges"]] == ["T1", "T2"]


def test_a_break_that_comes_when_the_tray_may_be_empty_is_none():
    found = plan(line(T1=6, shifts=shift("06:07-06:17")))
    assert [(stop["panels"], stop["at_break"]) for stop in found["stops"]] == [(5, False)]


def test_clock_times_leave_out_the_break():
    (stop,) = plan(line(T1=26, rules={"waste_share": 0.0}, shifts=shift("06:05-06:35")))["stops"]
    assert stop["at"][:16] == "2026-03-02T06:42"  # 25 panels of 20 s from 06:04:00, and half an hour of rest


def test_a_changeover_in_the_window_is_where_a_tray_that_goes_on_is_exchanged():
    story = line(T1=20)
    story.recipe({"T1": 1}, "R2", parts={"T1": "part-T1"})
    story.order("A", "running", recipe="R1", panels=14)
    story.order("B", "queued", recipe="R2", panels=100)
    (stop,) = plan(story)["stops"]
    assert (stop["panels"], stop["at_changeover"]) == (14, True)


def test_what_the_next_order_wants_with_another_part_is_no_stop_of_its_own():
    story = line(T1=20)
    story.recipe({"T1": 1}, "R2", parts={"T1": "part-other"})
    story.order("A", "running", recipe="R1", panels=14)
    story.order("B", "queued", recipe="R2", panels=100)
    assert plan(story)["stops"] == []


def test_what_may_be_empty_before_the_order_ends_is_in_the_plan_as_it_is_in_warnings():
    """A reel whose label may err by some parts: it probably lasts, and surely enough it doesn't."""
    story = line(F1=300)
    story.order("A", "running", recipe="R1", panels=29)
    assert [each["slot"] for each in plan(story)["meanwhile"]] == ["F1"]


# What stands ready


def test_nothing_is_exchanged_before_its_supply_can_be_there():
    """Two minutes are six panels; the margin leaves T1 until 15."""
    story = line(T1=17, rules={"fetch_minutes": 2.0, "waste_share": 0.5})
    (one,) = plan(story)["stops"][0]["exchanges"]
    assert (one["from_panels"], one["ready"]) == (6, False)


def test_what_somebody_ticked_can_be_exchanged_at_once_the_first_that_is_due_first():
    story = line(T1=17, T2=17, rules={"fetch_minutes": 2.0, "waste_share": 0.5})
    for slot in ("T1", "T2"):
        story.slot(slot).part = "MCU-48Q"
    story.world.look_again(story.station())
    story.readied("MCU-48Q", 1, kind="tray")
    one, two = plan(story)["stops"][0]["exchanges"]
    assert [(each["slot"], each["ready"], each["from_panels"]) for each in (one, two)] == [
        ("T1", True, 0),
        ("T2", False, 6),
    ]


def test_a_supply_that_can_not_be_there_in_time_is_said():
    found = plan(line(T1=5, rules={"fetch_minutes": 5.0}))
    assert found["feasible"] is False
    assert found["helps"] == ["Fetch part-T1 for slot T1 of P1 now: as things are it comes too late."]


# Whose hands it takes


def test_a_plan_that_one_person_can_follow_is_feasible():
    found = plan(line(T1=12, F1=150, F2=250))
    assert (found["feasible"], found["helps"], found["people"]) == (True, [], 1)
    begins = [each["begin"] for each in found["meanwhile"]]
    assert begins == sorted(begins)
    assert all(each["begin"] < each["end"] for each in found["meanwhile"])


def test_what_one_person_can_not_do_is_proved_and_said_with_what_would_help():
    reels: Any = {f"F{number}": 60 for number in range(4)}
    found = plan(line(**reels))
    assert found["feasible"] is False
    assert "isn't reached in time." in found["helps"][0]
    assert found["helps"][-1] == "One more person would be in time."
    assert plan(line(rules={"people": 2}, **reels))["feasible"] is True


def test_an_unknown_takt_leaves_open_whether_it_can_be_done():
    story = Story(Policy(slots=SLOTS))
    story.recipe({"T1": 1, "F1": 10})
    story.first("T1", "F1")
    story.load("T1", 20, kind="tray")
    story.load("F1", 100, kind="tape")
    found = plan(story)
    assert (found["feasible"], found["stops"][0]["at"]) == (None, None)
    assert [(each["begin"], each["late"]) for each in found["meanwhile"]] == [(None, None)]


def test_people_who_exchange_in_a_stop_splice_after_it():
    """The stop is at 06:08 and takes two minutes of one person; until then there is time for one splice."""
    found = plan(line(T1=14, T2=14, F1=140))
    (stop,), (splice,) = found["stops"], found["meanwhile"]
    assert splice["late"] is False
    assert splice["end"] <= stop["at"] or splice["begin"] >= stop["at"]


# What it costs, and what would be without it


def test_without_costs_none_is_said():
    assert plan(line(T1=12))["stops"][0]["costs"] is None


def test_a_stop_says_what_it_is_expected_to_cost():
    """Ten minutes' worth for the stop, what is left of the tray at 3 each, and little for the risk."""
    rules = {"minute_cost": 5.0, "stop_minutes": 2.0, "parts": (PartCost(part="part-T1", each=3.0),)}
    (stop,) = plan(line(T1=12, rules=rules))["stops"]
    (one,) = stop["exchanges"]
    assert one["left_over"] == 12 - stop["panels"]
    assert 10.0 + 3.0 * one["left_over"] <= stop["costs"] <= 10.0 + 3.0 * one["left_over"] + 5.0


def test_without_a_plan_each_slot_stops_the_line_when_it_is_empty():
    found = plan(line(T1=12, T2=14, F1=150), panels=30)
    without = found["without"]
    assert without["stops"] == pytest.approx(3.0, abs=0.1)
    assert without["minutes"] == pytest.approx(30.0, abs=1.0)
    assert (without["single_stops"], without["single_minutes"]) == (2, 4.0)
    assert (len(found["stops"]), found["stop_minutes"]) == (1, 2.0)


def test_a_kept_plan_is_shown_and_says_since_when():
    story = line(T1=12, T2=14)
    event = next_plan(story.world, "L3", story.now)
    assert event is not None
    story.now += SECOND
    assert floor.apply(story.world, event, line="L3", station=None, at=story.now) == []
    assert floor.apply(story.world, event, line="L3", station=None, at=story.now) is None
    before = plan(story)
    assert before["kept_since"] == "2026-03-02T06:04:01.000Z"
    story.run(3, {"T1": 1, "T2": 1})
    assert stops(plan(story)) == [(at - 3, slots) for at, slots in stops(before)]
    assert next_plan(story.world, "L3", story.now) is None


def test_a_stop_that_hands_would_miss_is_put_earlier():
    """F1 must be exchanged at boundary 11, for a minute; a stop at 13 would wait for the hands, so it is
    before that: the line stands meanwhile."""
    story = line(T1=14, F1=130)
    story.set_policy(Policy(slots=SLOTS[:1], plan=PlanRules(waste_share=0.1)))
    story.load("F1", 130, kind="stick")
    story.counted("F1", 125)  # of how many is unknown, so it is exchanged at the last moment
    found = plan(story)
    (stop,), (splice,) = found["stops"], found["meanwhile"]
    assert splice["from_panels"] == splice["by_panels"] == 11
    assert (stop["panels"], stop["exchanges"][0]["by_panels"]) == (10, 13)
    assert (found["feasible"], splice["late"]) == (True, False)
    assert splice["begin"][:19] == "2026-03-02T06:08:40"  # ten panels and a minute of standing after 06:04


def test_stations_that_are_some_panels_apart_share_a_stop_and_each_keeps_its_own_panel():
    story = line(T1=12)
    story.recipe({"T2": 1}, parts={"T2": "part-T2"}, station="P2")
    story.first("T2", station="P2")
    story.run(7, {"T2": 1}, station="P2")
    story.load("T2", 14, kind="tray", station="P2")
    event = next_plan(story.world, "L3", story.now)
    assert event is not None
    (stop,) = (each for each in event.stops if each.exchanges[0].emptying == 1)
    boundary = plan(story)["stops"][0]["panels"]
    assert stop.at == {"P1": 12 + boundary, "P2": 7 + boundary}
    floor.apply(story.world, event, line="L3", station=None, at=story.now)
    for _ in range(4):
        story.run(1, {"T1": 1})
        story.run(1, {"T2": 1}, station="P2")
    assert stops(plan(story)) == [(boundary - 4, ["T1", "T2"])]
    assert next_plan(story.world, "L3", story.now) is None
