"""What to fetch for a line: a worked example, what changes it, and what isn't known."""

from __future__ import annotations

from typing import Any

from service.domain.calendar import shift_at
from service.domain.model import SECOND
from service.domain.policy import Policy, Shift, SlotRule
from service.usecases.fetch import fetch_object, planned_in, span
from tests.support.story import HOUR, Story

RULES = [SlotRule(slot="T*", kind="tray", full=60), SlotRule(slot="F*", kind="tape", full=1000)]
PARTS = {"F1": "R-10K", "F2": "C-1U", "T1": "MCU"}
USAGE = {"F1": 18, "F2": 4, "T1": 1}


def line(policy: Policy | None = None, *, panels: int = 100, then: str | None = None) -> Story:
    """100 panels of twenty seconds run from 06:01:20 on; F1 and F2 are full reels, T1 a full tray."""
    story = Story(policy or Policy(slots=RULES))
    story.order("A", "queued", recipe="R1", panels=panels)
    story.recipe(USAGE, parts=PARTS)
    if then is not None:
        story.order("B", "queued", recipe="R2", panels=50)
    if then == "announced":
        story.recipe({"F1": 18, "F2": 40, "F3": 2}, "R2", active=False,
                     parts={"F1": "R-10K", "F2": "L-4U7", "F3": "D-SIG"})  # fmt: skip
    story.first(*USAGE)
    story.run(4, USAGE)
    story.order("A", "running", recipe="R1", panels=panels)
    story.load("F1", 1000)
    story.load("F2", 1000)
    story.load("T1", 60)
    return story


def fetch(story: Story, *, hours: float = 8.0, planned: Any = None) -> Any:
    until = story.now + round(hours * HOUR * SECOND)
    return fetch_object(story.world, "L3", at=story.now, until=until, ends=None, planned=planned or {})


def short(found: Any) -> dict[str, tuple[int, int, str | None]]:
    """By part: supplies, ready, and the clock by which the first is missing."""
    return {
        each["part"] or each["for"][0]["slot"]: (
            each["supplies"], each["ready"], each["by"] and each["by"][11:19]
        )
        for each in found["parts"]
    }  # fmt: skip


def test_what_an_order_needs_beyond_what_is_loaded_by_part_and_by_when():
    """F1 needs 1,800 of which 1,000 are there: one reel, when the first may be empty. Of 60 parts in a tray
    one may be lost, so T1 is safe for 59 panels: one tray, a panel in hand. F2 needs 400 of its 1,000."""
    assert short(fetch(line())) == {
        "R-10K": (1, 0, "06:18:40"),  # 52 panels after 06:01:20
        "MCU": (1, 0, "06:20:40"),  # 58
    }


def test_an_order_of_more_panels_needs_more_of_each():
    """480 panels: 8,640 parts for F1; a reel places 1,000 / 1.0017 by the odds from before. T1: 59 to a
    tray."""
    found = fetch(line(panels=480))
    assert short(found)["R-10K"][0] == 8
    assert short(found)["MCU"][0] == 8
    assert [each["panels"] for each in found["parts"][1]["for"]][:3] == [58, 117, 176]


def test_the_walk_takes_what_is_missing_within_an_hour():
    first, second, *_ = fetch(line(panels=480))["walks"]
    assert first["by"][11:16] == "06:18"
    assert {each["part"]: each["supplies"] for each in first["items"]} == {"R-10K": 4, "MCU": 3}
    assert second["by"][11:16] == "07:19"


def test_what_is_ticked_counts_as_there_and_is_used_up_by_a_load():
    story = line(panels=480)
    story.readied("MCU", 2, kind="tray", by="Ines")
    found = fetch(story)
    assert short(found)["MCU"] == (8, 2, "07:00:00")  # the third, 176 panels on
    tick = next(each for each in found["parts"] if each["part"] == "MCU")["ticked"]
    assert (tick["by"], tick["at"][:16]) == ("Ines", "2026-03-02T06:01")
    story.load("T1", 60)
    assert short(fetch(story))["MCU"][1] == 1


def test_what_stands_there_and_nobody_needs_can_still_be_taken_back():
    story = line()
    story.readied("X-9", 1)
    assert short(fetch(story))["X-9"] == (0, 1, None)


def test_at_a_changeover_the_next_recipes_parts_are_fetched_unless_they_are_loaded():
    found = fetch(line(then="announced"))
    assert {part: told[0] for part, told in short(found).items()} == {
        "R-10K": 2, "MCU": 1, "L-4U7": 3, "D-SIG": 1,
    }  # fmt: skip
    new = [each for each in found["parts"] if each["for"][0]["changeover"]]
    assert {each["part"]: each["for"][0]["panels"] for each in new} == {"L-4U7": 100, "D-SIG": 100}
    assert new[0]["for"][0]["order"] == "B"


def test_what_lies_in_its_slot_already_is_not_fetched():
    story = line(then="announced")
    story.load("F3", 1000, part="D-SIG")
    assert "D-SIG" not in short(fetch(story))


def test_a_recipe_that_nobody_announced_is_said_not_guessed():
    found = fetch(line(then="unheard"))
    assert set(short(found)) == {"R-10K", "MCU"}
    assert found["unknown"] == [{"why": "recipe", "order": "B", "station": "P1", "slot": None, "part": None}]


def test_what_comes_after_the_time_asked_for_is_left_out():
    assert set(short(fetch(line(then="unheard"), hours=0.3))) == {"R-10K"}
    assert fetch(line(then="unheard"), hours=0.3)["unknown"] == []


def test_without_a_usual_quantity_the_next_supply_is_told_and_that_more_may_be_needed():
    story = line(Policy(slots=[SlotRule(slot="T*", kind="tray")]), panels=480)
    story.counted("T1", 30)
    tray = next(each for each in fetch(story)["parts"] if each["part"] == "MCU")
    assert (tray["supplies"], tray["at_least"]) == (1, True)


def test_what_other_labels_of_the_line_agree_on_is_a_full_supply():
    story = line(Policy(slots=[SlotRule(slot="F*", kind="tape")]), panels=480)
    story.counted("T1", 30)
    story.load("T1", 60, station="P2", part="MCU")
    trays = [each for each in fetch(story)["parts"] if each["part"] == "MCU"]
    assert trays[0]["supplies"] > 2
    assert not trays[0]["at_least"]


def test_where_nobody_knows_what_is_left_it_says_so():
    story = line()
    story.load("F1", part="R-11K", kind="bulk")
    story.slot("F1").declared = None
    story.world.look(story.station(), story.slot("F1"))
    [unknown] = fetch(story)["unknown"]
    assert (unknown["why"], unknown["slot"]) == ("left", "F1")


def test_of_slots_that_feed_the_same_placements_one_speaks_for_all_in_orders_to_come_too():
    """F1 and F2 give 18 parts a panel together: 2,000 parts of 2,700; of the other nothing is said."""
    story = Story(Policy(slots=RULES))
    story.order("A", "queued", recipe="R1", panels=100)
    story.order("B", "queued", recipe="R2", panels=50)
    shared: dict[str, Any] = {"parts": {"F1": "R-10K", "F2": "R-10K"}, "alternates": [["F1", "F2"]]}
    story.recipe({"F1": 18, "F2": 18}, **shared)
    story.recipe({"F1": 18, "F2": 18}, "R2", active=False, **shared)
    story.first("F1", "F2")
    story.run(4, {"F1": 18})
    story.order("A", "running", recipe="R1", panels=100)
    story.load("F1", 1000)
    story.load("F2", 1000)
    found = fetch(story)
    assert short(found)["R-10K"][0] == 1
    assert found["unknown"] == []


def test_the_plan_says_when_the_first_supply_of_a_slot_must_be_there():
    story = line()
    plan = {"stops": [{"panels": 30, "at": story.time(-600), "exchanges": [
        {"station": "P1", "slot": "T1"}]}], "meanwhile": []}  # fmt: skip
    assert short(fetch(story, planned=planned_in(plan)))["MCU"] == (1, 0, "06:11:20")


def test_while_no_order_runs_the_next_one_is_told_without_a_time():
    """50 panels of 40 are 2,000 parts, a few more than two reels place."""
    story = line(then="announced")
    story.order("A", "finished")
    found = fetch(story)
    assert short(found) == {"L-4U7": (3, 0, None), "D-SIG": (1, 0, None)}
    assert found["walks"][0]["by"] is None


def test_a_line_without_orders_is_looked_at_as_far_as_asked():
    story = Story(Policy(slots=RULES))
    story.recipe(USAGE, parts=PARTS)
    story.first(*USAGE)
    story.run(4, USAGE)
    story.load("T1", 60)
    assert short(fetch(story, hours=1))["MCU"][0] == 3  # 180 panels of an hour, 59 to a tray


def test_without_a_takt_all_that_the_order_needs_is_told_without_a_time():
    story = Story(Policy(slots=RULES))
    story.order("A", "queued", recipe="R1", panels=480)
    story.recipe(USAGE, parts=PARTS)
    story.first(*USAGE)
    story.order("A", "running")
    story.load("T1", 60)
    assert short(fetch(story))["MCU"] == (8, 0, None)


def test_how_far_a_list_looks():
    policy = Policy(shifts=(Shift(start="06:00", end="14:00"),))
    at = Story().now
    shift = shift_at(policy, "L3", at)
    assert shift is not None
    assert span(shift, at, until=None, hours=None) == shift[1]
    assert span(None, at, until=None, hours=None) == at + round(8 * HOUR) * SECOND
    assert span(shift, at, until=None, hours=1.0) == at + round(HOUR) * SECOND
    assert span(shift, at, until=at + 5, hours=1.0) == at + 5
