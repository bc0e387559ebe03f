"""An exchange taken back within a minute."""

from typing import Any

import msgspec
import pytest

from service.domain.policy import Policy, SlotRule
from service.domain.state import SlotState
from service.domain.world import World
from tests.support.story import Story

USAGE = {"F07": 10, "F08": 2}


@pytest.fixture
def story() -> Story:
    story = Story(Policy(slots=[SlotRule(kind="tape", full=1000)]))
    story.first("F07", "F08")
    story.recipe(USAGE, parts={"F07": "R-10K", "F08": "C-100N"})
    story.load("F07", 1000, part="R-10K", lot="A1", id="old")
    return story


def undo(story: Story, event: str, slot: str = "F07", **more: Any) -> list[str] | None:
    told = story.supply("undone", slot, undoes=event, **more)
    return None if told is None else story.words(told)


def as_it_was(slot: SlotState) -> SlotState:
    """Without the ids of events that came since, and without when and how often it was told again."""
    copied = msgspec.msgpack.decode(msgspec.msgpack.encode(slot), type=SlotState)
    copied.supply_ids, copied.exchanged, copied.call = [], None, None
    if copied.notice is not None:
        copied.notice = msgspec.structs.replace(copied.notice, version=0, changed_at="")
    return copied


def test_the_slot_is_as_it_was_before(story):
    story.run(40, USAGE)
    before = as_it_was(story.slot("F07"))

    story.load("F07", 5000, part="R-10K", lot="B2", id="new", kind="tape")
    undo(story, "new", by="Ines")

    assert as_it_was(story.slot("F07")) == before
    assert story.slot("F07").loading == "old"


def test_what_was_counted_since_came_out_of_the_old_supply(story):
    other = Story(Policy(slots=[SlotRule(kind="tape", full=1000)]))
    other.first("F07", "F08")
    other.recipe(USAGE, parts={"F07": "R-10K", "F08": "C-100N"})
    other.load("F07", 1000, part="R-10K", lot="A1", id="old")
    for each in (story, other):
        each.run(40, USAGE, lost={"F07": 1})
    story.load("F07", 5000, id="new")
    for each in (story, other):
        each.run(2, USAGE, lost={"F07": 1})
    undo(story, "new")

    back, never = story.slot("F07"), other.slot("F07")
    assert (back.book, back.counted, back.lost) == (never.book, never.counted, never.lost)
    assert back.lost_evidence == pytest.approx(never.lost_evidence, rel=0.01)


def test_its_notice_is_open_again_under_the_same_id(story):
    story.run(93, USAGE)
    notice = story.notice("F07")
    story.take(notice.id, by="Tom")
    closed = story.words(story.load("F07", 1000, id="new"))

    told = story.supply("undone", "F07", undoes="new", by="Ines")

    assert closed == ["closed refilled"]
    assert [(each.change, each.notice.id, each.notice.state, each.calls) for each in told or []] == [
        ("opened", notice.id, "taken", False)
    ]
    assert story.notice("F07").version > notice.version + 1
    assert story.live() == ["F07"]


def test_what_was_told_of_the_new_supply_is_over(story):
    story.load("F07", 30, part="X-9", id="new")  # as good as empty, and wrong

    assert sorted(undo(story, "new") or []) == ["closed undone", "closed undone"]
    assert story.live() == []
    assert story.world.standing == {}


def test_a_wrong_part_that_the_exchange_ended_is_told_again(story):
    story.load("F07", 1000, part="X-9", id="wrong")
    story.later(120)
    story.load("F07", 1000, part="R-10K", id="right")

    assert undo(story, "right") == ["opened wrong part"]


@pytest.mark.parametrize("signal", [True, False])
def test_what_the_end_of_the_old_supply_taught_is_forgotten(story, signal):
    story.run(99, USAGE, lost={"F08": 1})
    if signal:
        story.out("F07")
    learned, records = _taught(story.world)
    before = as_it_was(story.slot("F07"))
    story.load("F07", 1000, id="new")
    assert _taught(story.world) != (learned, records)

    undo(story, "new")

    assert _taught(story.world) == (learned, records)
    assert as_it_was(story.slot("F07")) == before


def _taught(world: World) -> tuple[dict[str, Any], dict[str, Any]]:
    """What is known, without how often it must be looked at again."""
    ends = {key: (each.ends, each.finished) for key, each in world.memory.learned.items() if each.finished}
    outcomes = {key: (each.outcomes, each.judged) for key, each in world.memory.records.items()}
    return ends, {key: each for key, each in outcomes.items() if each[0]}


def test_named_supplies_are_where_they_were(story):
    story.load("F07", 800, part="R-10K", supply="reel 1", id="one")
    story.load("F08", 600, part="C-100N", supply="reel 2")
    story.run(3, USAGE)
    before = {name: as_it_was(story.slot(name)) for name in ("F07", "F08")}
    story.load("F07", supply="reel 2", id="moved")
    assert story.slot("F08").removed

    undo(story, "moved")

    assert {name: as_it_was(story.slot(name)) for name in ("F07", "F08")} == before
    assert story.world.supplies["reel 1"].where == ("L3", "P1", "F07")
    assert story.world.supplies["reel 2"].where == ("L3", "P1", "F08")


def test_a_supply_that_was_new_lies_outside_with_what_was_said_to_be_in_it(story):
    story.load("F07", 750, part="R-10K", supply="reel 3", id="new")

    undo(story, "new")

    supply = story.world.supplies["reel 3"]
    assert (supply.where, supply.stock and supply.stock.declared) == (None, 750)


def test_a_joined_tape_can_be_taken_back_too(story):
    story.run(90, USAGE)
    before = as_it_was(story.slot("F07"))
    story.join("F07", 1000, id="new")

    undo(story, "new")

    assert as_it_was(story.slot("F07")) == before


# Too late


def test_after_a_minute_nothing_is_taken_back(story):
    story.load("F07", 1000, id="new")
    story.later(61)

    assert undo(story, "new") is None
    assert story.slot("F07").loading == "new"


@pytest.mark.parametrize("deed", ["load", "counted", "remove"])
def test_once_something_else_happened_to_the_slot_nothing_is_taken_back(story, deed):
    story.load("F07", 1000, id="new")
    getattr(story, deed)("F07", *([] if deed == "remove" else [500]))

    assert undo(story, "new") is None


def test_twice_and_for_another_event_or_slot_changes_nothing(story):
    story.load("F07", 1000, id="new")

    assert undo(story, "old") is None
    assert undo(story, "new", slot="F99") is None
    assert undo(story, "new", id="u1") == []
    assert undo(story, "new", id="u1") is None
    assert "F99" not in story.station().slots


def test_the_slot_as_it_was_is_kept_no_longer_than_a_minute(story):
    story.load("F07", 1000, id="new")
    assert story.slot("F07").exchanged is not None

    story.run(4, USAGE)

    assert story.slot("F07").exchanged is None
    assert story.station().undoable == []
