"""What a notice that nobody takes does: said once more, and on to the next people."""

from __future__ import annotations

from service.domain.events import OutletReport
from service.domain.floor import apply, next_moment
from service.domain.model import SECOND, Change
from service.domain.notices import Told
from service.domain.policy import Person, Policy, Route
from tests.support.story import MINUTE, Story

INES = Person(name="Ines", outlets=["ines-chat", "ines-mail"])
BERT = Person(name="Bert", outlets=["bert-chat"])
LEAD = Person(name="Lead", outlets=["lead-mail"])
OUTLETS = ["planner", "ines-chat", "ines-mail", "bert-chat", "lead-mail"]


def due(*routes: Route, left: int = 8, **more: object) -> Story:
    """An early notice of T2 is open; one part a panel."""
    policy = Policy(outlets=OUTLETS, people=(INES, BERT, LEAD), routes=list(routes), programs=("planner",))
    story = Story(policy)
    story.recipe({"T2": 1})
    story.first("T2")
    story.load("T2", left, kind="tray")
    return story


def heard(told: list[Told] | None) -> list[tuple[str, tuple[str, ...]]]:
    return [(each.change.value, each.outlets or ()) for each in told or []]


def wait(story: Story, minutes: float) -> list[Told]:
    """Time passes as the program lets it: at each moment that matters."""
    end = story.now + round(minutes * MINUTE * SECOND)
    told: list[Told] = []
    while (moment := next_moment(story.world)) is not None and moment <= end:
        told += story.pass_time(max(0, moment - story.now) / SECOND) or []
    story.now = end
    return told


def fail(story: Story, outlet: str, state: str = "failing") -> list[Told]:
    report = OutletReport(outlet=outlet, state=state)  # type: ignore[arg-type]
    story.now += 1
    return apply(story.world, report, line="", station=None, at=story.now) or []


# --- said again -------------------------------------------------------------------------------------------


def test_what_nobody_takes_is_said_again_after_each_span_of_time():
    story = due(Route(people=["Ines"], remind_minutes=5))
    assert heard(story.told) == [("opened", ("ines-chat",))]
    told = wait(story, 16)
    assert heard(told) == [("reminded", ("ines-chat",))] * 3
    assert [each.notice.reminded for each in told] == [1, 2, 3]
    assert {each.notice.version for each in told} == {1}


def test_what_is_said_again_is_no_change_of_the_notice():
    story = due(Route(people=["Ines"], remind_minutes=5))
    before = story.notice("T2")
    wait(story, 5)
    after = story.notice("T2")
    assert (after.changed_at, after.state, after.level) == (before.changed_at, before.state, before.level)


def test_panels_remind_as_well_as_minutes():
    story = due(Route(people=["Ines"], remind_panels=2), left=9)
    told = story.run(4, {"T2": 1})
    assert [each.notice.reminded for each in told if each.change is Change.REMINDED] == [1, 2]


def test_whoever_takes_it_ends_the_reminders_and_giving_it_back_begins_them_anew():
    story = due(Route(people=["Ines"], remind_minutes=5))
    notice = story.notice("T2").id
    wait(story, 4)
    story.take(notice)
    assert wait(story, 30) == []
    given_back = story.release(notice, "Ines")
    assert heard(given_back) == [("changed", ("ines-chat",))]
    assert wait(story, 4.9) == []
    assert heard(wait(story, 0.2)) == [("reminded", ("ines-chat",))]


def test_nothing_is_said_again_while_it_is_quiet():
    story = due(Route(people=["Ines"], remind_minutes=5))
    story.quiet(story.notice("T2").id, seconds=12 * MINUTE)
    told = wait(story, 18)
    assert heard(told) == [("changed", ("ines-chat",)), ("reminded", ("ines-chat",))]


def test_getting_worse_calls_anew_and_counts_from_there():
    story = due(Route(people=["Ines"], remind_minutes=5))
    wait(story, 3)
    assert heard(story.run(5, {"T2": 1})) == [("changed", ("ines-chat",))]
    assert story.notice("T2").level == "urgent"
    assert heard(wait(story, 4.9)) == []
    assert heard(wait(story, 0.2)) == [("reminded", ("ines-chat",))]


def test_worse_than_when_it_was_last_said_again_it_counts_from_one():
    story = due(Route(people=["Ines"], remind_minutes=5))
    told = [*wait(story, 6), *story.run(5, {"T2": 1}), *wait(story, 5.1)]
    assert [(each.change.value, each.notice.reminded) for each in told] == [
        ("reminded", 1),
        ("changed", 0),
        ("reminded", 1),
    ]


def test_a_question_is_asked_once():
    story = due(Route(people=["Ines"], remind_minutes=5))
    story.out("T2")
    story.green()
    story.run(3, {"T2": 1})
    assert [each.notice.kind for each in story.told][-1] == "question"
    assert wait(story, 60) == []


def test_after_a_long_pause_of_ours_it_is_said_once_more_and_not_five_times():
    story = due(Route(people=["Ines"], remind_minutes=5))
    told = story.pass_time(26 * MINUTE)
    assert heard(told) == [("reminded", ("ines-chat",))]
    assert story.notice("T2").reminded == 5


def test_without_a_route_that_says_so_nothing_is_said_again():
    story = due(Route(people=["Ines"]))
    assert next_moment(story.world) is None
    assert wait(story, 600) == []


# --- escalation -------------------------------------------------------------------------------------------


def test_the_next_in_line_hears_alone_and_one_after_the_other():
    story = due(Route(people=["Ines"], escalate_to=["Bert", "Lead"], escalate_minutes=3))
    told = wait(story, 20)
    assert heard(told) == [("reminded", ("bert-chat",)), ("reminded", ("lead-mail",))]
    assert told[-1].notice.hears == ("Ines", "Bert", "Lead")


def test_who_was_brought_in_hears_when_it_gets_worse_too():
    story = due(Route(people=["Ines"], escalate_to=["Bert"], escalate_minutes=3))
    wait(story, 4)
    told = story.run(5, {"T2": 1})
    assert heard(told) == [("changed", ("ines-chat", "bert-chat"))]


def test_escalation_by_panels():
    story = due(Route(people=["Ines"], escalate_to=["Bert"], escalate_panels=3), left=9)
    told = story.run(3, {"T2": 1})
    assert heard(told) == [("reminded", ("bert-chat",))]


def test_taking_it_in_time_leaves_the_next_alone():
    story = due(Route(people=["Ines"], escalate_to=["Bert"], escalate_minutes=3))
    wait(story, 2.9)
    story.take(story.notice("T2").id)
    assert wait(story, 60) == []


def test_a_new_emptying_begins_with_the_first_again():
    story = due(Route(people=["Ines"], escalate_to=["Bert"], escalate_minutes=3))
    wait(story, 4)
    told = story.load("T2", 8, kind="tray") or []
    opened = [each for each in told if each.change is Change.OPENED]
    assert heard(opened) == [("opened", ("ines-chat",))]
    assert opened[0].notice.hears == ("Ines",)


# --- what can't be reached --------------------------------------------------------------------------------


def test_when_chat_fails_what_nobody_took_is_told_by_mail():
    story = due(Route(people=["Ines"]))
    told = fail(story, "ines-chat")
    assert [each for each in heard(told) if each[0] == "opened"][-1] == ("opened", ("ines-mail",))
    assert told[-1].notice.id == story.notice("T2").id


def test_what_somebody_has_taken_is_not_told_again_by_mail():
    story = due(Route(people=["Ines"], kind="supply"))
    story.take(story.notice("T2").id)
    assert [each.notice.kind for each in fail(story, "ines-chat")] == ["outlet"]


def test_while_an_outlet_fails_its_people_hear_through_their_next():
    story = due(Route(people=["Ines"]))
    fail(story, "ines-chat")
    told = story.run(5, {"T2": 1})
    assert heard(told) == [("changed", ("ines-mail",))]
    fail(story, "ines-chat", "well")
    assert heard(story.out("T2"))[-1] == ("changed", ("ines-chat",))


def test_that_an_outlet_fails_reaches_its_own_people_by_their_next():
    story = due(Route(people=["Ines"]))
    told = fail(story, "ines-chat")
    assert told[0].notice.kind == "outlet"
    assert told[0].outlets == ("ines-mail",)


# --- who is named -----------------------------------------------------------------------------------------


def test_a_notice_names_whom_it_was_told_to():
    story = due(Route(people=["Ines", "Bert"], outlets=["planner"]))
    assert story.notice("T2").hears == ("Ines", "Bert")
    assert story.told[0].notice.hears == ("Ines", "Bert")
    assert story.told[0].outlets == ("planner", "ines-chat", "bert-chat")


def test_a_restart_remembers_since_when_it_calls():
    story = due(Route(people=["Ines"], remind_minutes=5))
    wait(story, 3)
    world = story.world
    world.touch_all()
    story.world = type(world).from_states({key: data for key, data in world.take_changes().items() if data})
    assert wait(story, 1.9) == []
    assert heard(wait(story, 0.2)) == [("reminded", ("ines-chat",))]
