"""The table that a notice's life follows, against the published sequence of conditions."""

from __future__ import annotations

from pathlib import Path

import pytest

from service.domain import life
from service.domain.life import LIFE, Deed, Taken, after
from service.domain.model import NoticeState
from service.domain.policy import Policy, SlotRule
from tests.support.story import Story

OPEN, TAKEN, QUIET, CLOSED = NoticeState.OPEN, NoticeState.TAKEN, NoticeState.QUIET, NoticeState.CLOSED
PERSONS = {Deed.TAKE, Deed.RELEASE, Deed.QUIET, Deed.CLOSE}


def test_every_deed_says_what_it_does_in_every_state_it_can_meet():
    for deed, row in LIFE.items():
        assert set(row) - {None} >= {OPEN, TAKEN, QUIET, CLOSED}, deed
    assert set(LIFE) == set(Deed)


def test_nothing_but_being_due_begins_a_notice():
    assert [deed for deed, row in LIFE.items() if None in row] == [Deed.DUE]


@pytest.mark.parametrize("deed", sorted(PERSONS))
def test_what_a_person_does_to_a_closed_notice_is_too_late(deed):
    with pytest.raises(Taken):
        after(deed, CLOSED, taken_by="Ines", by="Ines")


@pytest.mark.parametrize("state", [TAKEN, QUIET])
def test_who_was_first_has_it(state):
    with pytest.raises(Taken):
        after(Deed.TAKE, state, taken_by="Ines", by="Bert")
    assert after(Deed.TAKE, TAKEN, taken_by="Ines", by="Ines") is None
    assert after(Deed.TAKE, QUIET, taken_by="Ines", by="Ines") is TAKEN


@pytest.mark.parametrize("deed", [Deed.WORSE, Deed.SPEAK])
def test_what_wakes_belongs_to_whoever_has_it(deed):
    assert after(deed, QUIET, taken_by=None) is OPEN
    assert after(deed, QUIET, taken_by="Ines") is TAKEN


def test_the_diagram_in_the_guide_is_drawn_from_the_table():
    guide = Path(__file__).parents[3] / "DEVELOPERS.md"
    assert f"```mermaid\n{life.drawn()}\n```" in guide.read_text(encoding="utf-8")


# OPC 10000-9 (Alarms and Conditions), B.1.2, Table B.1: one state that wants to be confirmed. In our words,
# active: the emptying is told of; acked: somebody is on all there is; confirmed: nobody has anything in
# hand; retained: something is open. The columns are Active, Acked, Confirmed, Retain.
TABLE_B_1 = [
    ("initial", (False, True, True, False)),
    ("goes active", (True, False, True, True)),
    ("acked", (True, True, False, True)),
    ("goes inactive", (False, True, False, True)),
    ("confirmed", (False, True, True, False)),
    ("goes active again", (True, False, True, True)),
    ("goes inactive", (False, False, True, True)),
    ("acked", (False, True, False, True)),
    ("confirmed", (False, True, True, False)),
]


def condition(story: Story) -> tuple[bool, bool, bool, bool]:
    slot = story.slot("F1").notice
    emptying = [slot] if slot is not None and slot.state != CLOSED else []
    asked = [each.notice for each in story.world.standing.values() if each.notice is not None]
    live = [*emptying, *asked]
    return (
        bool(emptying),
        all(notice.state == TAKEN for notice in live),
        not any(notice.state == TAKEN for notice in live),
        bool(live),
    )


def run_empty_and_go_on(story: Story) -> None:
    """It runs out, and is refilled without a word: the counts show it after two panels."""
    story.out("F1")
    story.green()
    story.run(3, {"F1": 10})


def question(story: Story) -> str:
    return next(iter(story.world.standing))


def test_the_published_sequence_of_a_condition_is_lived_through():
    story = Story(Policy(slots=[SlotRule(slot="F1", kind="tape", full=1000)]))
    story.recipe({"F1": 10})
    story.first("F1")
    story.load("F1", 1000, kind="tape")
    steps = iter(TABLE_B_1)

    def then(event: str) -> None:
        named, expected = next(steps)
        assert named == event
        assert condition(story) == expected, event

    then("initial")
    story.run(95, {"F1": 10})
    then("goes active")
    story.take(story.notice("F1").id, "Ines")
    then("acked")
    run_empty_and_go_on(story)
    then("goes inactive")
    story.counted("F1", 900, by="Ines")
    then("confirmed")
    story.run(85, {"F1": 10})
    then("goes active again")
    run_empty_and_go_on(story)
    then("goes inactive")
    story.take(question(story), "Bert")
    then("acked")
    story.counted("F1", 900, by="Bert")
    then("confirmed")


def test_a_question_goes_to_who_had_taken_the_emptying():
    story = Story(Policy(slots=[SlotRule(slot="F1", kind="tape", full=1000)]))
    story.recipe({"F1": 10})
    story.first("F1")
    story.load("F1", 60, kind="tape")
    story.run(1, {"F1": 10})
    story.take(story.notice("F1").id, "Ines")
    run_empty_and_go_on(story)
    asked = story.world.standing[question(story)].notice
    assert asked is not None
    assert (asked.kind, asked.state, asked.taken_by) == ("question", TAKEN, "Ines")
