"""Whatever happened before and in the minute after it: an exchange that was undone is one that never was."""

import random
from typing import Any

import msgspec
import pytest

from service.domain.policy import Policy, SlotRule
from service.domain.state import SlotState
from tests.support.story import Story

USAGE = {"F07": 10, "F08": 3, "T1": 1}
POLICY = Policy(
    slots=[SlotRule(slot="F*", kind="tape", full=1000), SlotRule(slot="T*", kind="tray", full=60)]
)
NEARLY = {"lost_evidence", "placed_evidence", "burst", "burst_at"}
"""Fading sums: in one step they come out a little other than in several."""
NOT_COMPARED = {"supply_ids", "exchanged", "call", "notice", "warned", "told_left", *NEARLY}


def begin(chance: random.Random) -> Story:
    story = Story(POLICY)
    story.first(*USAGE)
    story.recipe(USAGE, parts={"F07": "R-10K", "F08": "C-100N", "T1": "MCU"})
    story.load(
        "F07", chance.choice([1000, 400]), part="R-10K", supply=chance.choice([None, "reel 1"]), id="a"
    )
    story.load("F08", 300, part="C-100N", supply=chance.choice([None, "reel 2"]), id="b")
    story.load("T1", 60, part="MCU", id="c")
    story.run(chance.randrange(95), USAGE, lost={"F08": chance.randrange(2)})
    if chance.random() < 0.3:
        story.out(chance.choice(list(USAGE)))
    return story


def exchange(story: Story, chance: random.Random) -> str:
    slot = chance.choice(list(USAGE))
    more: dict[str, Any] = {
        "part": chance.choice([None, "R-10K", "X-9"]),
        "quantity": chance.choice([None, 20, 1000]),
        "supply": chance.choice([None, "reel 1", "reel 2", "reel 3"]),
    }
    story.supply(chance.choice(["loaded", "joined"]), slot, id="new", **more)
    return slot


@pytest.mark.parametrize("seed", range(60))
def test_an_exchange_that_was_undone_never_was(seed):
    never, story = begin(random.Random(seed)), begin(random.Random(seed))
    chance = random.Random(1000 + seed)
    slot, panels = exchange(story, chance), chance.randrange(2)  # two would prove a refill
    loading, out = story.slot(slot).loading, any(never.slot(name).out_since for name in USAGE)
    never.now = story.now
    for each in (never, story):
        each.run(panels, USAGE)

    told = story.supply("undone", slot, undoes="new", by="Ines")

    if told is None:  # the counts showed the next refill meanwhile
        assert story.slot(slot).loading != loading
        return
    if out:
        return  # what was placed since proves a refill, which is believed sooner or later
    assert story.live() == never.live()
    for name in USAGE:
        _compare(story.slot(name), never.slot(name))
    for name, supply in never.world.supplies.items():
        assert story.world.supplies[name].where == supply.where


def _compare(one: SlotState, other: SlotState) -> None:
    for name in SlotState.__struct_fields__:
        mine, its = getattr(one, name), getattr(other, name)
        if name in NEARLY:
            assert mine == pytest.approx(its, rel=0.02, abs=0.5), name
        elif name not in NOT_COMPARED:
            assert mine == its, name
    assert (one.notice is None) == (other.notice is None)
    if one.notice is not None and other.notice is not None:
        kept = {"version": 0, "changed_at": "", "opened_at": "", "panels_to_empty": None, "empty_at": None}
        kept |= {"message": "", "said": None}
        assert msgspec.structs.replace(one.notice, **kept) == msgspec.structs.replace(other.notice, **kept)
