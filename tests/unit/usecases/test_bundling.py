"""Which changes share a message and in what order; and the lane's rules played through in made-up time."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.model import SECOND, Change, Notice, Spread
from service.ports import Delivery
from service.usecases.deliver.bundling import MANY_NOTICES, messages, urgency
from service.usecases.deliver.ends import untold
from service.usecases.deliver.telling import is_moot, telling
from tests.support.notices import AT, closed, delivery, notice, urgent

MINUTE = 60 * SECOND


def due(name: str, *, line: str | None = "L3", **fields: object) -> Delivery:
    return delivery(key=name, conversation=name, notice=notice(id=name, line=line, **fields))


def names(bundles: list[list[Delivery]]) -> list[list[str]]:
    return [[each.key for each in bundle] for bundle in bundles]


# --- who shares a message


def test_slots_of_one_line_are_one_message() -> None:
    assert names(messages([due("a"), due("b")], at_most=2)) == [["a", "b"]]


def test_a_few_lines_have_a_message_each_as_far_as_that_many_may_go() -> None:
    these = [due("a"), due("b", line="L4"), due("c")]
    assert names(messages(these, at_most=2)) == [["a", "c"], ["b"]]
    assert names(messages(these, at_most=1)) == [["a", "b", "c"]]


def test_many_lines_or_much_to_tell_is_one_digest() -> None:
    lines = [due(f"n{n}", line=f"L{n}") for n in range(4)]
    assert len(messages(lines[:3], at_most=4)) == 3
    assert len(messages(lines, at_most=4)) == 1
    two = [due(f"n{n}", line=f"L{n % 2}") for n in range(MANY_NOTICES)]
    assert len(messages(two[:-1], at_most=4)) == 2
    assert len(messages(two, at_most=4)) == 1


def test_the_most_urgent_comes_first_and_so_does_its_line() -> None:
    these = [
        due("closed", line="L4", state="closed"),
        due("early", panels_to_empty=Spread(8, 9, 11)),
        due("sooner", panels_to_empty=Spread(5, 6, 7)),
        due("taken", state="taken", level="empty"),
        due("unknown", panels_to_empty=None),
        due("urgent", line="L4", level="urgent"),
        due("empty", level="empty"),
    ]
    assert names(messages(these, at_most=2)) == [
        ["empty", "sooner", "early", "unknown", "taken"],
        ["urgent", "closed"],
    ]


def test_what_is_true_by_now_decides_how_urgent_it_is() -> None:
    worse = delivery(key="worse", notice=notice(id="w"), latest=urgent(id="w"))
    assert names(messages([due("early"), worse], at_most=1)) == [["worse", "early"]]


NOTICES = st.builds(
    lambda name, line, level, state, left: notice(
        id=name, line=line, level=level, state=state, panels_to_empty=left
    ),
    st.uuids().map(str),
    st.sampled_from([None, "L1", "L2", "L3", "L4", "L5"]),
    st.sampled_from(["early", "urgent", "empty"]),
    st.sampled_from(["open", "open", "taken", "quiet", "closed"]),
    st.none() | st.integers(0, 40).map(lambda n: Spread(n, n, n)),
)


@given(st.lists(NOTICES, min_size=1, max_size=30, unique_by=lambda each: each.id), st.integers(1, 4))
def test_whatever_is_claimed_is_in_one_message_in_order_and_no_more_messages_than_may_go(
    these: list[Notice], at_most: int
) -> None:
    claimed = [delivery(key=each.id, notice=each) for each in these]
    bundles = messages(claimed, at_most=at_most)
    assert sorted(key for bundle in names(bundles) for key in bundle) == sorted(each.id for each in these)
    assert 1 <= len(bundles) <= at_most
    firsts = [urgency(bundle[0].notice) for bundle in bundles]
    assert firsts == sorted(firsts)
    for bundle in bundles:
        order = [urgency(each.notice) for each in bundle]
        assert order == sorted(order)


# --- what need not be told any more

REMINDED = notice(reminded=1)


@pytest.mark.parametrize(
    ("given_", "moot"),
    [
        (delivery(latest=closed()), True),
        (delivery(latest=closed(closed_because="better")), True),
        (delivery(latest=closed(), attempts=2), False),
        (delivery(latest=urgent()), False),
        (delivery(), False),
        (delivery(change=Change.CHANGED, notice=urgent(), latest=closed()), False),
        (delivery(change=Change.CLOSED, notice=closed()), False),
        (delivery(change=Change.REMINDED, notice=REMINDED), False),
        (delivery(change=Change.REMINDED, notice=REMINDED, latest=urgent()), False),
        (delivery(change=Change.REMINDED, notice=REMINDED, latest=urgent(state="taken")), True),
        (delivery(change=Change.REMINDED, notice=REMINDED, latest=closed(), attempts=3), True),
    ],
)
def test_what_ended_before_anybody_tried_to_say_it_and_a_reminder_of_what_calls_for_nobody_are_moot(
    given_: Delivery, moot: bool
) -> None:
    assert is_moot(given_) is moot


def test_an_opening_ends_with_all_that_came_of_it_and_a_reminder_alone() -> None:
    assert untold(delivery(latest=closed()), AT).covers == 3
    assert untold(delivery(change=Change.REMINDED, notice=REMINDED, latest=closed()), AT).covers == 1


def test_a_bundle_tells_what_is_true_by_now_however_young_it_is() -> None:
    told = telling(delivery(latest=urgent()), bundles=True)
    assert (told.change, told.notice.version) == (Change.OPENED, 2)
    again = telling(delivery(change=Change.REMINDED, notice=REMINDED, latest=urgent()), bundles=True)
    assert (again.change, again.notice.version) == (Change.REMINDED, 2)
