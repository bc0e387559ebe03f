"""Which of a writer's messages come again, which are missing, and when it began anew. OPC 10000-14, 7.2.3: a
number is one more than the last; it is forgotten when none came as expected for two keep-alive times."""

from __future__ import annotations

import pytest

from service.domain.model import SECOND
from service.wire.opcua_order import MOST_IDS, Heard, Message, judge, note

PATIENCE = 300 * SECOND
LARGEST = 4294967295


class Writer:
    """Says messages a second apart; ``hear`` tells whether one counts and how many are missing before it."""

    def __init__(self) -> None:
        self.heard: Heard | None = None
        self.now = 1_000 * SECOND

    def hear(
        self,
        sequence: int | None,
        *,
        name: str | None = None,
        said_at: int | None = None,
        tells_next: bool = False,
        after: int = 1,
    ) -> int | str:
        self.now += after * SECOND
        message = Message(sequence, name, said_at, tells_next)
        verdict = judge(self.heard, message, self.now, PATIENCE)
        if verdict.repeat:
            return "repeat"
        self.heard = note(self.heard or Heard(), message, self.now)
        return verdict.missing


def heard(*sequences: int) -> Writer:
    writer = Writer()
    for sequence in sequences:
        writer.hear(sequence)
    return writer


def test_one_after_the_other_counts():
    assert [Writer().hear(41), heard(41).hear(42), heard(41, 42).hear(43)] == [0, 0, 0]


def test_the_same_and_an_older_one_are_repeats():
    writer = heard(200, 201, 202)
    assert (writer.hear(202), writer.hear(201), writer.hear(203)) == ("repeat", "repeat", 0)


def test_a_gap_is_told_once():
    writer = heard(7)
    assert (writer.hear(10), writer.hear(11), writer.hear(9)) == (2, 0, "repeat")


@pytest.mark.parametrize("last", [LARGEST, LARGEST - 1])
def test_after_the_largest_number_comes_zero(last):
    """7.2.5.4: a UInt32."""
    assert heard(last).hear(0) == LARGEST - last
    assert heard(LARGEST, 0).hear(LARGEST) == "repeat"


def test_a_keep_alive_tells_the_number_that_comes_next():
    """7.2.5.4.1."""
    writer = heard(7)
    assert (writer.hear(8, tells_next=True), writer.hear(8), writer.hear(11, tells_next=True)) == (0, 0, 2)
    assert (writer.hear(11), heard(LARGEST).hear(0, tells_next=True)) == (0, 0)


def test_a_first_keep_alive_says_what_to_expect():
    writer = Writer()
    assert (writer.hear(8, tells_next=True), writer.hear(9), writer.hear(7)) == (0, 1, "repeat")


@pytest.mark.parametrize("begins", [0, 1, 3])
def test_a_publisher_that_begins_anew_near_zero_is_no_repeat(begins):
    writer = Writer()
    writer.hear(500, name="a", said_at=10)
    assert writer.hear(begins, name="b", said_at=11) == 0
    assert writer.hear(begins + 1, name="c", said_at=12) == 0
    writer = Writer()
    writer.hear(500, name="a")
    assert writer.hear(begins, name="b") == 0, "another id is enough where no times are said"


def test_one_that_begins_anew_after_a_very_long_life_leaves_no_gap():
    writer = Writer()
    writer.hear(3_000_000_000, said_at=10)
    assert writer.hear(0, said_at=11) == 0


def test_what_only_looks_like_a_beginning_is_a_repeat():
    writer = Writer()
    writer.hear(2, name="a", said_at=10)
    writer.hear(3, name="b", said_at=11)
    assert writer.hear(2, name="a", said_at=10) == "repeat"
    assert writer.hear(1, name="c", said_at=9) == "repeat", "late, by its own time"
    assert heard(2, 3).hear(2) == "repeat", "neither id nor time"


def test_far_from_zero_a_lower_number_is_believed_when_no_expected_one_comes():
    writer = heard(5000)
    assert [writer.hear(2000, after=100) for _ in range(2)] == ["repeat", "repeat"]
    assert writer.hear(2001, after=100) == 0
    assert writer.hear(2002) == 0


def test_what_a_broker_brings_again_after_a_long_silence_is_still_a_repeat():
    """By its own time, or by the id of its message."""
    writer = Writer()
    for sequence in (41, 42, 43):
        writer.hear(sequence, said_at=sequence)
    assert (writer.hear(42, said_at=42, after=3600), writer.hear(43, said_at=43)) == ("repeat", "repeat")
    assert writer.hear(46, said_at=46) == 0, "nothing was expected any more"
    writer = Writer()
    writer.hear(41, name="a")
    writer.hear(42, name="b")
    assert (writer.hear(41, name="a", after=3600), writer.hear(43, name="c")) == ("repeat", 0)


def test_without_numbers_the_id_of_the_message_tells():
    writer = Writer()
    assert [writer.hear(None, name=each) for each in ("a", "b", "a", "b", "c")] == [
        0,
        0,
        "repeat",
        "repeat",
        0,
    ]
    same = Writer()
    assert [same.hear(None, name="a", said_at=at) for at in (5, 6, 6)] == [0, 0, "repeat"], (
        "the time tells too"
    )


def test_without_number_and_id_nothing_is_a_repeat():
    writer = Writer()
    assert [writer.hear(None) for _ in range(3)] == [0, 0, 0]


def test_few_ids_are_remembered():
    writer = Writer()
    for sequence in range(3 * MOST_IDS):
        writer.hear(sequence, name=str(sequence))
    assert writer.heard is not None
    assert len(writer.heard.ids) == MOST_IDS
