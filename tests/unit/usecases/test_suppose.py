"""A recording under other settings: what is told, when supplies would have ended, what has no place there."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from service.desk import Unfit
from service.domain.model import SECOND
from service.domain.policy import Limits, Person, Policy, Route
from service.usecases import suppose as supposing
from service.usecases.altered import Alteration, Heard, hear
from service.usecases.mailed import Reaction, mailed
from service.usecases.suppose import Supposed, suppose
from service.wire.journal import Exporter, StartState
from simulators.scenario import load_scenario, shipped
from tests.support.closed_loop import ClosedLoop
from tests.support.story import START
from tests.support.written import Written

EXPORTER = Exporter("Tarnquay Works")
USAGE = {"F1": 10}
SURE = Limits(lead_panels=10, chance=0.5)
"""A supply of a counted number, no losses: its end is known, and so is the warning's panel."""


def heard(entries: list[Any]) -> Heard:
    return hear(EXPORTER.entry(number, each) for number, each in enumerate(entries))


def told(supposed: Supposed) -> list[tuple[int, str, str]]:
    return [(at, each.change.value, each.notice.level) for at, each in supposed.told]


def refilled(*, left: int, policy: Policy | None = None, take: bool = False) -> Written:
    """A reel of 600 parts, sixty panels, exchanged with so many panels left."""
    story = Written(policy or Policy(warn=SURE))
    story.recipe(USAGE)
    story.first("F1")
    story.load("F1", 600, part="RES")
    story.counted("F1", 600)
    ran = 60 - left
    story.run(ran - 1, USAGE)
    if take:
        story.take(story.notice("F1").id)
    story.run(1, USAGE)
    story.load("F1", 600, part="RES")
    story.counted("F1", 600)
    story.run(3, USAGE)
    return story


def lead(panels: int) -> Alteration:
    return Alteration(warn=(("lead_panels", panels),))


def test_under_the_settings_of_the_recording_the_same_is_told() -> None:
    """Against the program's own rules in the loop with a plant."""
    loop = ClosedLoop(load_scenario(shipped()["two-lines-by-day"]), seed=5)
    loop.journal = []
    loop.run(1.0)
    entries = loop.journal
    recorded = Alteration(whole=msgspec.json.encode(loop.world.policy))
    found = suppose(heard(entries), recorded)
    assert [each for _, each in found.told] == loop.told
    assert found.left_out == {}
    again = suppose(heard(entries), recorded)
    assert found == again


def test_a_longer_lead_warns_earlier_by_as_many_panels() -> None:
    story = refilled(left=4)
    recording = heard(story.entries)
    ten, twenty = (suppose(recording, lead(panels)).emptied[0] for panels in (10, 20))
    assert (ten.given, twenty.given) == (10, 20)
    assert ten.told is not None
    assert twenty.told is not None
    assert ten.told.at - twenty.told.at == pytest.approx(10 * story.takt * SECOND, abs=SECOND)


def test_a_warning_that_the_supply_didnt_live_to_see_is_projected() -> None:
    """Exchanged with twelve panels left; at a lead of five it would have been told seven panels later."""
    story = refilled(left=12)
    (ended,) = suppose(heard(story.entries), lead(5)).emptied
    assert [(each.level, each.projected) for each in ended.words] == [("early", True), ("urgent", True)]
    assert ended.given == 5
    takt = story.takt * SECOND
    assert ended.end - ended.refilled == pytest.approx(12 * takt, rel=0.02)
    assert ended.words[0].at - ended.refilled == pytest.approx(7 * takt, rel=0.02)


def test_what_ran_out_is_known_to_have_been_empty_then() -> None:
    story = Written(Policy(warn=SURE))
    story.recipe(USAGE)
    story.first("F1")
    story.load("F1", 600)
    story.run(57, USAGE)
    story.out("F1")
    out = story.now
    story.later(90.0)
    story.load("F1", 600)
    story.green()
    story.run(3, USAGE)
    (ended,) = suppose(heard(story.entries), Alteration()).emptied
    assert (ended.ran_out, ended.end) == (True, out)
    assert ended.refilled - ended.end == pytest.approx(90 * SECOND, abs=SECOND)


@pytest.mark.parametrize("ago", [None, 130.0])
def test_an_exchange_that_was_taken_back_ended_nothing(ago: float | None) -> None:
    """However long before it was said somebody had done it."""
    story = Written(Policy(warn=SURE))
    story.recipe(USAGE)
    story.first("F1")
    story.load("F1", 600, part="RES")
    story.run(50, USAGE)
    story.later(300.0)
    story.load("F1", 600, part="RES", id="x1", ago=ago)
    assert len(suppose(heard(story.entries), lead(20)).emptied) == 1
    story.later(20.0)
    assert story.supply("undone", "F1", undoes="x1", by="Ada") is not None
    assert suppose(heard(story.entries), lead(20)).emptied == []
    story.run(5, USAGE)
    story.load("F1", 600, part="RES", id="x2")
    (ended,) = suppose(heard(story.entries), lead(20)).emptied
    assert ended.told is not None


@pytest.mark.parametrize("ran", [0, 20])
def test_what_lasts_for_long_didnt_come_to_its_end(ran: int) -> None:
    story = Written(Policy(warn=SURE))
    story.recipe(USAGE)
    story.first("F1")
    story.load("F1", 5000)
    story.run(5 + ran, USAGE)
    story.load("F1", 5000)
    story.run(3, USAGE)
    assert suppose(heard(story.entries), Alteration()).emptied == []


def test_what_outlasts_its_order_didnt_come_to_its_end() -> None:
    story = Written(Policy(warn=SURE))
    story.recipe(USAGE)
    story.order("A1", "running", recipe="R1", panels=55)
    story.first("F1")
    story.load("F1", 600)
    story.run(50, USAGE)
    story.load("F1", 600)
    story.run(3, USAGE)
    assert suppose(heard(story.entries), Alteration()).emptied == []


def test_a_take_waits_for_a_notice_that_opens_later() -> None:
    story = refilled(left=8, take=True)
    recording = heard(story.entries)
    soon = suppose(recording, Alteration())
    assert [each.notice.taken_by for _, each in soon.told if each.notice.taken_by] != []
    later = suppose(recording, lead(9))
    taken = [(at, each) for at, each in later.told if each.notice.state == "taken"]
    opened = next(at for at, each in later.told if each.change == "opened")
    assert [at for at, _ in taken] == [opened + 1]
    assert later.left_out == {}


def test_a_take_of_a_notice_that_never_opens_has_no_place() -> None:
    found = suppose(heard(refilled(left=8, take=True).entries), lead(3))
    assert found.left_out == {supposing.LATE_TAKE: 1}


def test_settings_that_were_changed_meanwhile_get_the_change_too() -> None:
    story = Written(Policy(warn=SURE))
    story.recipe(USAGE)
    story.first("F1")
    story.run(3, USAGE)
    story.set_policy(Policy(warn=Limits(lead_panels=20, chance=0.2)))
    story.run(3, USAGE)
    found = suppose(heard(story.entries), Alteration(warn=(("chance", 0.3),)))
    last = [policy.warn for _, policy in found.policies][-2:]
    assert last == [Limits(lead_panels=10, chance=0.3), Limits(lead_panels=20, chance=0.3)]


def test_urgent_is_never_earlier_than_early() -> None:
    assert lead(2).of(Policy()).warn == Limits(lead_panels=2, urgent_panels=2)


def test_another_file_takes_the_place_of_all_that_was_in_force() -> None:
    other = Policy(warn=Limits(lead_panels=30), outlets=["chat"])
    whole = msgspec.json.encode(other)
    found = suppose(heard(refilled(left=4).entries), Alteration(whole=whole, warn=(("chance", 0.2),)))
    assert found.policy.outlets == ["chat"]
    assert found.policy.warn == Limits(lead_panels=30, chance=0.2)


def test_what_people_would_have_done_ends_the_messages() -> None:
    """Told, urgent and empty; whoever sets out before urgent hears of neither."""
    policy = Policy(
        warn=SURE,
        outlets=["ada"],
        people=(Person(name="Ada", outlets=["ada"]),),
        routes=[Route(people=["Ada"])],
    )
    story = refilled(left=0, policy=policy)
    found = suppose(heard(story.entries), Alteration())
    (ended,) = found.emptied
    assert [each.level for each in ended.words] == ["early", "urgent"]
    soon = Reaction(ended.words[0].at + SECOND, ended.words[0].at + 60 * SECOND)
    never = Reaction(None, None)
    assert mailed(found, [soon], story.now).posts == 3
    assert len(mailed(found, [soon], story.now).heard["Ada"]) == 3
    assert mailed(found, [never], story.now).posts == 2


def test_plans_are_kept_anew_where_other_settings_say_so() -> None:
    story = Written(Policy(warn=SURE))
    story.recipe({"T1": 1})
    story.first("T1")
    story.load("T1", 40, kind="tray", part="MCU")
    story.run(38, {"T1": 1})
    recording = heard(story.entries)
    found = suppose(recording, Alteration(plan=(("stop_minutes", 3.0),)), plans=True)
    assert [each.panels for each in found.plans] == [200, 200]
    assert all(each.stops >= 200 // 40 for each in found.plans)
    assert all(each.minutes == 3.0 * each.stops for each in found.plans)
    assert suppose(recording, Alteration()).plans == []


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        ([b"{}"], "line 1: "),
        ([], "nothing happens in it"),
        ([b"no"], "line 1: "),
        (
            [EXPORTER.state(StartState(position=0, at=START, policy=msgspec.Raw(b'{"warn":3}')))],
            "line 1: not set",
        ),
    ],
)
def test_what_is_no_recording_is_said(lines: list[bytes], said: str) -> None:
    with pytest.raises(Unfit, match=said):
        hear(lines)


def test_the_recording_begins_where_it_begins() -> None:
    entries = refilled(left=4).entries
    found = heard(entries)
    assert (found.first, found.last) == (entries[0].at, entries[-1].at)
    assert found.first > START
    assert found.lines == ["L3"]
