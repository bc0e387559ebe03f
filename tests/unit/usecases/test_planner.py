"""Who keeps the plans: what the planner proposes and tells, and that a kept plan is in the journal."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from service.domain import floor
from service.domain.events import JournalEntry, PlanKept
from service.domain.model import Instant
from service.domain.policy import PlanRules, Policy, SlotRule
from service.domain.state import line_key, station_key
from service.domain.world import World
from service.usecases.batch import Ask, Committed
from service.usecases.fold import fold
from service.usecases.planner import EVERY, Planner
from service.usecases.show import Shown
from service.web.plan import PlanView
from service.wire.journal import Exporter, StartState, read_entry, read_line
from tests.support.story import Story

USAGE = {"T1": 1, "T2": 1}
SLOTS = [SlotRule(slot="T*", kind="tray", full=60)]


class Hall:
    """A line whose state is committed after each event, and its planner; nothing is kept unless ``owner``."""

    def __init__(self, *, owner: bool = True) -> None:
        self.story = Story(Policy(slots=SLOTS, plan=PlanRules(waste_share=0.1)))
        self.committed: dict[str, bytes] = {}
        self.proposed: list[PlanKept] = []
        self.journal: list[JournalEntry] = []
        self.published: list[tuple[str, bytes, bool]] = []
        self.streamed: list[tuple[str, bytes]] = []
        self.failed: list[str] = []
        self._owner = owner
        self.shown = Shown(
            committed=self.committed,
            archive=None,  # type: ignore[arg-type]
            site="Tarn",
            reasons=list,
            clock=self.clock,
        )
        self.planner = Planner(
            shown=self.shown,
            propose=self._propose,
            publish=self.published.extend,
            stream=lambda event, data: self.streamed.append((event, data)),
            root="earlybell",
            failed=lambda line, _: self.failed.append(line),
        )
        self.now = 0.0
        self.story.recipe(USAGE, parts={"T1": "MCU-48Q", "T2": "ASIC-144"})
        self.story.first(*USAGE)
        self.story.run(4, USAGE)
        self.story.load("T1", 12, kind="tray")
        self.story.load("T2", 14, kind="tray")
        self.commit()

    def clock(self) -> Instant:
        return self.story.now

    def commit(self) -> None:
        changes = self.story.world.take_changes()
        self.committed |= {key: data for key, data in changes.items() if data is not None}
        self.planner.commit(Committed(frozenset(changes), [], {}, {}))

    def turn(self) -> None:
        self.now += EVERY
        self.planner.turn(self.now)

    def _propose(self, ask: Ask) -> None:
        assert isinstance(ask.message, PlanKept)
        self.proposed.append(ask.message)
        if self._owner:
            self.story.now += 1
            self.journal.append(JournalEntry(self.story.now, ask.address.kind, ask.address.subject, ask.data))
            floor.apply(self.story.world, ask.message, line="L3", station=None, at=self.story.now)
            self.commit()


def test_a_line_gets_a_plan_that_is_kept_and_told_once():
    hall = Hall()
    for _ in range(4):
        hall.turn()
    assert len(hall.proposed) == 1
    topics = [(topic, retained) for topic, _, retained in hall.published]
    assert topics == [("earlybell/L3/plan", True)] * 2  # as it would be, and as it is kept
    told: Any = msgspec.json.decode(hall.published[-1][1])
    PlanView.model_validate(told)
    assert told["kept_since"] is not None
    assert [event for event, _ in hall.streamed] == ["plan", "plan"]
    assert hall.streamed[-1][1] == hall.published[-1][1]
    assert hall.shown.plan("L3", panels=200) == told


def test_panels_that_pass_move_what_is_told_and_leave_the_plan():
    hall = Hall()
    hall.turn()
    hall.turn()
    before: Any = msgspec.json.decode(hall.published[-1][1])
    hall.story.run(2, USAGE)
    hall.commit()
    hall.turn()
    after: Any = msgspec.json.decode(hall.published[-1][1])
    assert after["stops"][0]["panels"] == before["stops"][0]["panels"] - 2
    assert after["kept_since"] == before["kept_since"]
    assert len(hall.proposed) == 1


def test_a_line_is_looked_at_no_more_often_than_every_two_seconds():
    hall = Hall()
    hall.turn()
    hall.story.run(1, USAGE)
    hall.commit()
    told = len(hall.published)
    hall.planner.turn(hall.now + 0.9 * EVERY)
    assert len(hall.published) == told
    hall.planner.turn(hall.now + EVERY)
    assert len(hall.published) == told + 1


def test_a_broker_that_may_have_forgotten_is_told_anew():
    hall = Hall()
    hall.turn()
    hall.turn()
    hall.turn()
    told = len(hall.published)
    hall.planner.tell_all(hall.committed)
    hall.turn()
    assert hall.published[told:] == hall.published[told - 1 : told]


def test_whoever_stands_by_shows_plans_and_keeps_none():
    hall = Hall(owner=False)
    hall.turn()
    assert msgspec.json.decode(hall.published[-1][1])["kept_since"] is None
    assert hall.story.world.line("L3").plan is None


def test_a_line_that_can_not_be_planned_is_reported_and_the_others_go_on():
    hall = Hall()
    hall.committed["station/L3/P1"] = b"\xc1"
    hall.turn()
    assert hall.failed == ["L3"]
    hall.story.world.touched.add(station_key("L3", "P1"))
    hall.commit()
    hall.turn()
    assert len(hall.proposed) == 1


def test_a_kept_plan_goes_through_the_journal_and_through_the_store():
    hall = Hall()
    hall.turn()
    (entry,) = hall.journal
    back = read_line(Exporter("Tarn").entry(7, entry))
    assert isinstance(back, JournalEntry)
    address, message = read_entry(back)
    assert (address.subject, message) == ("L3", hall.proposed[0])
    other = World.from_states({line_key("L3"): hall.committed[line_key("L3")]})
    assert other.lines["L3"].plan == hall.story.world.line("L3").plan
    anew = World()
    assert fold(anew, back) == []
    assert anew.lines["L3"].plan == other.lines["L3"].plan
    assert fold(anew, back) is None


def test_a_kept_plan_is_part_of_the_state_that_an_export_begins_with():
    hall = Hall()
    hall.turn()
    line = hall.story.world.line("L3")
    start = StartState(position=1, at=5, policy=msgspec.Raw(b"{}"), lines=[line])
    back = read_line(Exporter("Tarn").state(start))
    assert isinstance(back, StartState)
    assert back.lines == [line]


@pytest.mark.parametrize("data", [b"{}", b'{"stops": [{"at": 5}]}', b'{"stops": [{"at": {"P1": "x"}}]}'])
def test_what_is_no_plan_is_refused(data: bytes):
    with pytest.raises(ValueError, match="not an event of ours"):
        read_entry(JournalEntry(1, "plan", "L3", data))
