"""The budget as it is shown: whom messages reach, what counts as one, and what was spoken of."""

from __future__ import annotations

from typing import Any

import pytest

from service.domain.budget import DAY, HOUR
from service.domain.model import SECOND, Change, to_rfc3339
from service.usecases.budget import Budget
from tests.support.sent import MemorySent, lived, row

NOW = 1_900_000_000 * SECOND
HEARING = {"chat": ["Mira", "Tomas"], "phone": ["Mira"], "mail": ["mail"]}


def budget(sent: MemorySent) -> Budget:
    return Budget(sent=sent, hearing=HEARING, clock=lambda: NOW)


def shown(*rows: Any, lives: Any = ()) -> dict[str, Any]:
    return budget(MemorySent(list(rows), list(lives))).shown(since=None, until=None)


def messages(told: dict[str, Any]) -> dict[str, int]:
    return {each["who"]: each["messages"] for each in told["people"]}


def test_a_message_reaches_everybody_who_has_the_outlet():
    told = shown(row(NOW - HOUR), row(NOW - HOUR, "phone"), row(NOW - HOUR, "mail"))
    assert messages(told) == {"Mira": 2, "Tomas": 1, "mail": 1}
    assert (told["from"], told["to"]) == (to_rfc3339((NOW - DAY) // HOUR * HOUR), to_rfc3339(NOW))


def test_a_message_that_was_for_one_person_is_not_the_others():
    assert messages(shown(row(NOW - 1, hears=("Tomas",))))["Mira"] == 0
    assert messages(shown(row(NOW - 1, hears=("Somebody",))))["Mira"] == 1, (
        "nobody of them: it was read by all"
    )


def test_what_programs_are_told_is_nobody_s_message_but_names_what_was_announced():
    told = shown(row(NOW - 1, "hook"))
    assert set(messages(told).values()) == {0}
    assert told["announced"] == 1


def test_what_went_out_together_is_one_message():
    together = [row(NOW - HOUR, notice=f"n{number}") for number in range(5)]
    told = shown(*together)
    assert messages(told)["Tomas"] == 1
    assert told["announced"] == 5


def test_what_was_given_up_or_told_by_another_is_no_message():
    assert messages(shown(row(NOW - 1, sent=False)))["Tomas"] == 0


def test_one_word_is_announced_once_however_many_outlets_tell_it():
    told = shown(row(NOW - 9), row(NOW - 8, "phone"), row(NOW - 7, version=2, level="urgent"))
    assert told["levels"] == {"early": 1, "urgent": 1, "empty": 0}
    [most] = told["frequent"]
    assert (most["slot"], most["times"], told["frequent_share"]) == ("F07", 2, 1.0)


def test_a_reminder_is_announced_again_and_what_is_taken_is_not():
    again = row(NOW - 8, change=Change.REMINDED, reminded=1)
    assert shown(row(NOW - 9), again, row(NOW - 7, version=2, calls=False))["announced"] == 2


def test_what_gets_worse_while_somebody_has_it_is_announced_too():
    worse = row(NOW - 7, version=3, level="urgent", calls=False, change=Change.CHANGED)
    taken = row(NOW - 8, version=2, calls=False, change=Change.CHANGED)
    assert shown(row(NOW - 9), taken, worse)["levels"] == {"early": 1, "urgent": 1, "empty": 0}


def test_chattering_fleeting_and_stale_ones_are_named():
    chatter = [
        row(NOW - HOUR + second * SECOND, version=second, change=Change.OPENED) for second in (0, 20, 40)
    ]
    old = lived("n9", NOW - 2 * DAY, slot="T2")
    short = lived("n8", NOW - HOUR, NOW - HOUR + 30 * SECOND, because="better", slot="F09")
    told = shown(*chatter, lives=[old, short])
    assert [each["slot"] for each in told["chattering"]] == ["F07"]
    assert [(each["slot"], each["notice"]) for each in told["stale"]] == [("T2", "n9")]
    assert told["fleeting"] == 1


def test_a_person_s_hours_begin_where_the_time_begins():
    rows = [row(NOW - DAY), row(NOW - DAY + 1), row(NOW - 1)]
    told: Any = budget(MemorySent(rows)).shown(since=NOW - DAY, until=NOW)
    [mira, *_] = told["people"]
    assert (mira["hours"][0], mira["hours"][-1], len(mira["hours"])) == (2, 1, 24)
    assert mira["verdict"] == "very likely acceptable"


def test_a_flood_that_goes_on_has_no_end():
    told = shown(*(row(NOW - 300 * SECOND + number * SECOND) for number in range(11)))
    [mira, *_] = told["people"]
    assert mira["floods"] == [{"from": to_rfc3339(NOW - 290 * SECOND), "to": None}]


@pytest.mark.parametrize(("since", "until"), [(5, 5), (6, 5), (0, 32 * DAY)])
def test_a_time_that_is_none_or_too_long_is_refused_with_the_reason(since: int, until: int):
    with pytest.raises(ValueError, match="`from`"):
        budget(MemorySent()).shown(since=since, until=until)


def test_lately_counts_the_last_hour_and_knows_a_flood_that_began_before():
    rows = [row(NOW - 2 * HOUR + number * 60 * SECOND) for number in range(120)]
    lately = budget(MemorySent(rows)).lately()
    assert lately.messages == {"chat": 60}
    assert lately.floods == {"Mira": True, "Tomas": True, "mail": False}
    assert (lately.stale, lately.chattering) == (0, 0)
