"""What somebody ticked as standing ready: an absolute number, used up by what is loaded."""

from __future__ import annotations

import msgspec
import pytest

from service.domain import room
from service.domain.events import JournalEntry, Readied
from service.domain.policy import Policy, SlotRule
from service.domain.ready import put_back, stands_ready, ticks_of
from service.domain.state import line_key
from service.domain.world import World
from service.usecases.fold import fold
from service.wire.journal import Exporter, read_line
from tests.support.story import Story

REEL = "R-10K-0402"
FULL = Policy(slots=[SlotRule(slot="F*", kind="tape", full=200)])


def ready(story: Story, part: str = REEL, kind: str | None = None) -> int:
    return stands_ready(story.world.line(story.line), part, kind)


def line_of_reels() -> Story:
    story = Story(FULL)
    story.recipe({"F1": 10, "F2": 10}, parts={"F1": REEL, "F2": REEL})
    story.first("F1", "F2")
    return story


def test_what_nobody_ticked_does_not_stand_ready():
    assert ready(line_of_reels()) == 0


def test_a_tick_is_an_absolute_number_and_the_same_twice_changes_nothing():
    story = line_of_reels()
    assert story.readied(REEL, 2) == []
    assert story.readied(REEL, 2, by="Jon") is None
    assert ready(story) == 2
    assert ticks_of(story.world.line("L3"), REEL, None)[0].by == "Ines"


def test_whoever_sets_it_lower_takes_it_back():
    story = line_of_reels()
    story.readied(REEL, 2)
    story.readied(REEL, 1, by="Jon")
    assert ready(story) == 1
    assert ticks_of(story.world.line("L3"), REEL, None)[0].by == "Jon"
    story.readied(REEL, 0)
    assert story.world.line("L3").ready == []


def test_where_a_kind_is_not_known_on_either_side_any_fits():
    story = line_of_reels()
    story.readied(REEL, 2, kind="tape")
    story.readied(REEL, 1)
    assert [ready(story, kind=kind) for kind in (None, "tape", "tray")] == [3, 3, 1]


@pytest.mark.parametrize("change", ["loaded", "joined"])
def test_a_load_uses_one_up_whether_or_not_it_names_the_part(change):
    story = line_of_reels()
    story.readied(REEL, 2, kind="tape")
    story.supply(change, "F1", part=REEL, quantity=200)
    assert ready(story) == 1
    story.supply(change, "F2", quantity=200)
    assert ready(story) == 0
    story.supply(change, "F2", quantity=200)
    assert ready(story) == 0


def test_a_repeated_supply_message_uses_no_second_one_up():
    story = line_of_reels()
    story.readied(REEL, 2)
    story.load("F1", 200, id="x1")
    story.load("F1", 200, id="x1")
    assert ready(story) == 1


def test_another_part_another_line_a_count_and_a_removal_leave_it_alone():
    story = line_of_reels()
    story.readied(REEL, 2)
    story.load("F1", 200, part="C-1U-0603")
    story.supply("loaded", "F1", line="L4", part=REEL)
    story.counted("F2", 50)
    story.remove("F2")
    assert ready(story) == 2


def test_a_refill_seen_from_the_counts_uses_one_up_and_the_late_word_no_second():
    story = line_of_reels()
    story.load("F1", 200)
    story.readied(REEL, 2)
    story.run(19, {"F1": 10})
    story.out("F1")
    story.green()
    story.run(2, {"F1": 10})
    assert story.slot("F1").refilled_unsaid is not None
    assert ready(story) == 1
    story.load("F1", 200, ago=40)
    assert ready(story) == 1


def test_what_was_not_loaded_after_all_stands_there_again():
    story = line_of_reels()
    story.readied(REEL, 1)
    story.load("F1", 200)
    put_back(story.world, story.station(), REEL, None, by="Jon", at=story.now)
    assert ready(story) == 1


def test_its_own_kind_is_used_before_another():
    story = line_of_reels()
    story.readied(REEL, 1)
    story.readied(REEL, 1, kind="tape")
    story.load("F1", 200)
    assert [(each.kind, each.supplies) for each in story.world.line("L3").ready] == [(None, 1)]


def test_ticks_are_part_of_the_state_of_the_line():
    story = line_of_reels()
    story.world.take_changes()
    story.readied(REEL, 2, kind="tape")
    changes = story.world.take_changes()
    assert list(changes) == [line_key("L3")]
    again = World.from_states({line_key("L3"): changes[line_key("L3")] or b""})
    assert stands_ready(again.line("L3"), REEL, "tape") == 2


def test_a_tick_comes_back_from_an_export_and_does_the_same():
    tick = Readied(part=REEL, kind="tape", supplies=3, by="Ines")
    entry = JournalEntry(7, "ready", "L3", msgspec.json.encode(tick))
    back = read_line(Exporter("Ferrow plant").entry(1, entry))
    assert isinstance(back, JournalEntry)
    world = World()
    assert fold(world, back) == []
    assert world.line("L3").ready[0].at == 7
    assert stands_ready(world.line("L3"), REEL, None) == 3


def test_invented_parts_come_to_an_end_and_known_ones_can_still_be_ticked():
    story = Story()
    for number in range(room.MOST_READY):
        story.readied(f"R-{number}", 1)
    new, known = (Readied(part=part, supplies=2, by="Ines") for part in ("R-new", "R-7"))
    assert "1000 parts are ticked" in (room.lacking(story.world, new, "L3", None) or "")
    assert room.lacking(story.world, known, "L3", None) is None
