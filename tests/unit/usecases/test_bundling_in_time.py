"""What people hear over minutes: messages that bundle when there is much to say."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.model import SECOND, Change, Notice
from service.ports import Failed
from service.usecases.deliver.bundling import urgency
from tests.support.notices import AT, closed, new_delivery, notice, urgent
from tests.support.played import Played, Refuses

MINUTE = 60 * SECOND


def test_single_notices_far_apart_go_at_once_each_for_itself() -> None:
    plant = Played()
    for number in range(6):
        plant.commit(notice(id=f"n{number}"))
        assert plant.sizes() == [1] * (number + 1)
        plant.run(180)


def test_a_storm_of_300_slots_in_ten_seconds_is_four_messages_and_the_first_goes_at_once() -> None:
    plant = Played()
    for number in range(300):
        plant.commit(notice(id=f"n{number}"))
        plant.run(1 / 30)
    plant.run(10)
    assert plant.seconds()[0] == 0.0
    assert len(plant.told) == 4
    assert plant.seconds()[-1] < 15
    assert sum(plant.sizes()) == 300


def test_what_became_urgent_goes_at_once_though_enough_was_said_and_takes_the_others_along() -> None:
    plant = Played()
    for number in range(4):
        plant.commit(notice(id=f"n{number}"))
        plant.run(12)
    plant.commit(notice(id="early"), notice(id="worse"))
    plant.run(20)
    assert plant.last_word("early") is None
    plant.commit(urgent(id="worse"))
    plant.run(0.3)
    assert [each.id for each in plant.told[-1][1]] == ["worse", "early"]
    assert plant.now - plant.told[-1][0] < SECOND, "within a second of its commit"


def test_what_others_took_and_what_closed_waits_for_the_next_message() -> None:
    plant = Played()
    for number in range(4):
        plant.commit(notice(id=f"n{number}"))
        plant.run(12)
    plant.commit(urgent(id="n0", state="taken", level="early"), closed(id="n1"))
    plant.run(20)
    assert len(plant.told) == 4
    plant.commit(urgent(id="n2"))
    plant.run(0.3)
    assert [each.state for each in plant.told[-1][1]] == ["open", "taken", "closed"]


def test_what_got_better_before_it_was_told_is_not_told_and_is_not_told_as_closed() -> None:
    plant = Played()
    for number in range(4):
        plant.commit(notice(id=f"n{number}"))
        plant.run(12)
    plant.commit(notice(id="brief"))
    plant.run(20)
    plant.commit(closed(id="brief", closed_because="better"))
    plant.run(400)
    assert plant.last_word("brief") is None
    assert plant.outbox.state("brief:1:chat")[0] == plant.outbox.state("brief:3:chat")[0] == "replaced"
    assert not plant.outbox.backlog()


def test_a_reminder_is_said_although_its_version_was_told_and_a_worse_level_takes_its_place() -> None:
    plant = Played()
    plant.commit(notice(id="a"), notice(id="b"))
    plant.run(300)
    plant.commit(notice(id="a", reminded=1), change=Change.REMINDED)
    assert plant.told[-1][1] == [notice(id="a", reminded=1)]
    plant.run(300)
    again = new_delivery(notice(id="b", reminded=1), outlet="chat", at=plant.now)
    plant.outbox.enqueue(replace(again, key="b:r1", change=Change.REMINDED))
    plant.commit(urgent(id="b", reminded=1))
    assert plant.told[-1][1] == [urgent(id="b", reminded=1)]
    assert plant.outbox.state("b:2:chat")[0] == "replaced"
    assert not plant.outbox.backlog()


def _down(until: float) -> Refuses:
    return lambda _, now: Failed("can't connect", away=True) if now < AT + until * SECOND else None


def test_what_waited_while_nobody_was_there_comes_in_two_messages_within_a_minute_of_the_recovery() -> None:
    """The probe, and all the others behind it."""
    plant = Played(refuses=_down(600))
    for number in range(300):
        plant.commit(notice(id=f"n{number}"))
        plant.run(1)
    plant.run(300 + 60)
    assert len(plant.told) <= 3
    assert {each.id for _, said in plant.told for each in said} == {f"n{number}" for number in range(300)}


def test_a_message_that_is_too_long_for_a_receiver_comes_in_parts() -> None:
    plant = Played(refuses=lambda said, _: Failed("answered 400") if len(said) > 40 else None)
    plant.commit(*(notice(id=f"n{number}") for number in range(100)))
    plant.run(600)
    assert not plant.outbox.backlog()
    assert max(plant.sizes()) <= 40
    assert len({each.id for _, said in plant.told for each in said}) == 100


@pytest.mark.parametrize("answer", [Failed("answered 400"), Failed("answered 500")])
def test_a_notice_that_is_refused_for_ever_holds_up_no_other(answer: Failed) -> None:
    plant = Played(refuses=lambda said, _: answer if "poison" in {each.id for each in said} else None)
    plant.commit(*(notice(id=name) for name in ("n1", "poison", "n2", "n3", "n4")))
    plant.run(600)
    assert {each.id for _, said in plant.told for each in said} == {"n1", "n2", "n3", "n4"}
    for number in range(5, 10):
        plant.commit(notice(id=f"n{number}"))
        assert plant.last_word(f"n{number}"), "what is new goes apart from what was refused"
        plant.run(300)
    assert plant.outbox.backlog() == {("chat", "waiting"): 1}


def test_a_message_that_some_have_counts_as_one_and_what_nobody_has_does_not() -> None:
    """Where one of two never gets it the other hears no more than ten in ten minutes either."""
    plant = Played(refuses=lambda _, __: Failed("1 of 2 recipients not accepted yet", away=True, partly=True))
    for number in range(60):
        plant.commit(notice(id=f"n{number}"))
        plant.run(10)
    times = [at for at, _ in plant.tries]
    assert max(sum(begin <= at <= begin + 10 * MINUTE for at in times) for begin in times) <= 10


STEPS = st.lists(
    st.tuples(
        st.integers(0, 11),
        st.sampled_from(["worse", "worse", "taken", "closed"]),
        st.sampled_from([0.0, 0.3, 5.0, 40.0]),
        st.booleans(),
    ),
    max_size=40,
)


@settings(max_examples=60, deadline=None)
@given(steps=STEPS, broken=st.booleans())
def test_whatever_happens_what_is_open_was_named_as_it_is_and_no_ten_minutes_hear_more_than_ten(
    steps: list[tuple[int, str, float, bool]], broken: bool
) -> None:
    """Also when the receiver is away for the first minute. ISA-18.2 and IEC 62682 have at most 10 messages in
    any 10 minutes (from public pages)."""
    plant = Played(refuses=_down(60) if broken else lambda _, __: None)
    now: dict[str, Notice] = {}
    for slot, step, pause, far in steps:
        name = f"n{slot}"
        old = now.get(name, notice(id=name, version=0, line="L4" if far else "L3"))
        if old.state == "closed":
            continue
        now[name] = _next(old, step)
        plant.commit(now[name])
        plant.run(pause)
    plant.run(900)
    for name, last in now.items():
        word = plant.last_word(name)
        if last.state == "closed":
            assert word is None or word == last, "never heard of, or heard that it is over"
        else:
            assert word == last
    assert not plant.outbox.backlog()
    times = [at for at, _ in plant.told]
    for first, begin in enumerate(times):
        assert sum(at <= begin + 10 * MINUTE for at in times[first:]) <= 10
    for _, said in plant.told:
        order = [urgency(each) for each in said]
        assert order == sorted(order)


def _next(old: Notice, step: str) -> Notice:
    fields: dict[str, object] = {"version": old.version + 1}
    if old.version == 0 or (step == "worse" and old.level == "empty"):
        step = "opened"
    match step:
        case "worse":
            fields["level"] = "urgent" if old.level == "early" else "empty"
        case "taken":
            fields |= {"state": "taken", "taken_by": "Ada"}
        case "closed":
            fields |= {"state": "closed", "closed_because": "better"}
    return _with(old, fields)


def _with(old: Notice, fields: dict[str, object]) -> Notice:
    return notice(
        **{
            "id": old.id,
            "line": old.line,
            "level": old.level,
            "state": old.state,
            "taken_by": old.taken_by,
        }
        | fields
    )


def test_what_is_early_waits_three_minutes_at_most_however_often_something_presses() -> None:
    """A token comes every two minutes; what presses may have taken it, once."""
    plant, waited = Played(), list[float]()
    for number in range(60):
        name, since, heard = f"n{number}", plant.now, len(plant.told)
        plant.commit(notice(id=name))
        if number % 3 == 0:
            plant.commit(urgent(id=f"u{number}", version=1))
        plant.run(45)
        while plant.last_word(name) is None:
            plant.run(1)
        first = next(at for at, said in plant.told[heard:] if name in {each.id for each in said})
        waited.append((first - since) / SECOND)
    assert max(waited) <= 181
