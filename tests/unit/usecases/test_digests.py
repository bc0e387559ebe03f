"""What people are told at a change of shifts and once a week: when, what, and that it goes once."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
import pytest

from service.domain.hourly import HOUR
from service.domain.model import Notice, from_datetime
from service.domain.policy import Policy, Shift
from service.domain.said import put
from service.domain.sayings import HANDOVER, SHEETS, WEEK, sections_of
from service.language import ENGLISH, Language, speak
from service.ports import StoreError
from service.usecases.digests import FRESH, FRESH_WEEK, PATIENCE, Rule
from tests.support.digests import MemoryHours, Plant, Reviewed, digests, hour
from tests.support.notices import notice
from tests.support.outbox import MemoryOutbox

VIENNA = ZoneInfo("Europe/Vienna")
SECOND = 1_000_000
WEEKLY = [Rule(outlets=("mail",), lines=("*",), time="07:00")]


def local(text: str) -> int:
    return from_datetime(datetime.fromisoformat(text).replace(tzinfo=VIENNA))


TWO = local("2026-03-04T14:00")
MONDAY = local("2026-03-09T07:00")


def sent(outbox: MemoryOutbox) -> list[Notice]:
    rows = outbox.claim(owner="t", now=1 << 60, lease_until=1 << 61, limit=100)
    return [each.notice for each in rows]


def told(found: Notice, language: Language = ENGLISH) -> dict[str, list[str]]:
    """The headline under ``""``, then the rows of each section."""
    assert found.said is not None
    parts = {"": [put(found.said, VIENNA, language)]}
    for title, rows in sections_of(found.said):
        parts[put(title, VIENNA, language)] = [put(row, VIENNA, language) for row in rows]
    return parts


def before(number: int, *, supply: float, shift: str = "T06:00") -> MemoryHours:
    """Hours of so many shifts of those times, the newest the day before."""
    hours = MemoryHours(until=local("2026-03-04T09:00"))
    for day in range(1, number + 1):
        begin = local(f"2026-03-0{4 - day}{shift}" if day < 4 else f"2026-02-{32 - day}{shift}")
        hours.kept += [hour(begin + n * HOUR, supply=supply * day) for n in range(8)]
    return hours


def test_each_outlet_is_told_at_the_end_of_a_shift_and_once() -> None:
    outbox = MemoryOutbox()
    one = digests(outbox)
    assert one.look(TWO - 1) == []
    assert len(one.look(TWO)) == 1
    assert one.look(TWO + SECOND) == []
    assert digests(outbox).look(TWO + 60 * SECOND) != []  # as after a restart: the outbox knows it
    notices = sent(outbox)
    assert len(notices) == 2
    assert {(each.kind, each.state, each.line) for each in notices} == {(HANDOVER, "closed", "L3")}


def test_what_was_missed_is_said_while_it_is_fresh() -> None:
    for late, times in ((FRESH - 1, 1), (FRESH, 0)):
        assert len(digests(MemoryOutbox()).look(TWO + late)) == times
    rolled = MemoryHours(until=MONDAY)
    for late, times in ((FRESH_WEEK - 1, 1), (FRESH_WEEK, 0)):
        one = digests(MemoryOutbox(), rules=WEEKLY, hours=rolled)
        assert len(one.look(MONDAY + late)) == times


@pytest.mark.parametrize("day", ["2026-03-29", "2026-10-25"])
def test_on_a_day_whose_clocks_are_changed_each_shift_is_told_of_once(day: str) -> None:
    rules = Policy(
        timezone="Europe/Vienna",
        shifts=(Shift(start="22:00", end="02:30"), Shift(start="02:30", end="22:00")),
    )
    outbox = MemoryOutbox()
    one, begin = digests(outbox, policy=rules), local(f"{day}T00:00")
    said = [name for minute in range(0, 24 * 60, 5) for name in one.look(begin + minute * 60 * SECOND)]
    assert len(said) == 2
    assert len(sent(outbox)) == 4


def test_the_next_moment_is_known_ahead() -> None:
    one = digests(MemoryOutbox(), rules=[*WEEKLY, Rule(outlets=("mail",), lines=("*",))])
    assert one.next_after(TWO) == local("2026-03-04T22:00")
    assert one.next_after(TWO - 1) == TWO
    assert digests(MemoryOutbox(), rules=WEEKLY).next_after(TWO) == MONDAY
    assert digests(MemoryOutbox(), rules=[]).next_after(TWO) is None


def test_it_says_what_was_lost_why_and_how_that_is_beside_the_last_five_shifts() -> None:
    outbox = MemoryOutbox()
    digests(outbox, review=Reviewed(supply=2.0, fault=1.0), hours=before(5, supply=0.5)).look(TWO)
    parts = told(sent(outbox)[0])
    assert parts[""] == ["L3, 06:00 to 14:00: 24 min lost to stops."]
    assert parts["Lost, and why"] == [
        "supply out: 16 min, 24 stops; usually 12 min",
        "fault: 8 min, 8 stops; usually nothing",
        "The last 5 shifts of these times lost 12 min on average (4 min to 20 min): 12 min more this time.",
    ]
    assert parts["Where most was lost"] == [
        "P1 F07, R-10K-0402: 16 min, 24 stops",
        "P1, fault: 8 min, 8 stops",
    ]


def test_without_figures_of_shifts_before_there_is_no_comparison_yet() -> None:
    outbox = MemoryOutbox()
    hours = before(1, supply=1.0)
    del hours.kept[0]  # it begins in the middle of the shift
    digests(outbox, review=Reviewed(supply=2.0), hours=hours).look(TWO)
    assert told(sent(outbox)[0])["Lost, and why"] == [
        "supply out: 16 min, 24 stops",
        "No comparison yet: no shift before has figures.",
    ]


def test_a_shift_in_which_nothing_was_made_is_no_comparison() -> None:
    outbox, hours = MemoryOutbox(), before(5, supply=0.5)
    day_off = {local(f"2026-03-03T{clock:02d}:00") for clock in range(6, 14)}
    hours.kept = [each for each in hours.kept if each.begin not in day_off]
    digests(outbox, review=Reviewed(supply=2.0), hours=hours).look(TWO)
    last = told(sent(outbox)[0])["Lost, and why"][-1]
    assert last.startswith("The last 4 shifts of these times lost 14 min on average (8 min to 20 min)")


def test_a_shift_that_cannot_be_reviewed_is_handed_over_all_the_same() -> None:
    heard: list[Exception] = []
    outbox = MemoryOutbox()
    digests(outbox, review=Reviewed(error=RuntimeError("broken")), failed=heard.append).look(TWO)
    parts = told(sent(outbox)[0])
    assert parts[""] == ["L3, 06:00 to 14:00: what was lost isn't known."]
    assert parts["Nobody is on it"] == ["Nothing is open."]
    assert [str(each) for each in heard] == ["broken"]


def test_a_store_that_is_away_puts_it_off() -> None:
    outbox, review = MemoryOutbox(), Reviewed(error=StoreError("away"))
    one = digests(outbox, review=review)
    with pytest.raises(StoreError):
        one.look(TWO)
    review.error = None
    assert len(one.look(TWO + SECOND)) == 1


def test_it_says_who_is_on_what_as_the_page_does_in_the_reader_s_language() -> None:
    open_ = msgspec.to_builtins(notice())
    taken = msgspec.to_builtins(notice(id="n2", slot="F07", state="taken", taken_by="Mira"))
    outbox = MemoryOutbox()
    digests(outbox, showing=Plant(notices=[open_, taken]), review=Reviewed(supply=2)).look(TWO)
    (found, _) = sent(outbox)
    parts = told(found)
    assert parts["Nobody is on it"] == ["P1 T2: MCU-48Q; 9 panels left; about 2026-03-02 07:23"]
    assert parts["Somebody is on it"][0].endswith("Mira is on it, 2026-03-02 07:14")
    assert "Quiet" not in parts
    german = told(found, speak("de"))
    assert german[""] == ["L3, 06:00 bis 14:00: 16 min durch Stillstände verloren."]
    assert german["Verloren, und warum"][0] == "Vorrat leer: 16 min, 24 Stillstände"


def test_lines_of_a_group_share_a_message_and_each_group_has_its_own() -> None:
    rules = [
        Rule(outlets=("mail",), lines=("L3", "L4")),
        Rule(outlets=("chat",), lines=("X*",)),
        Rule(outlets=("chat",), lines=("gone",)),
    ]
    outbox = MemoryOutbox()
    one = digests(outbox, rules=rules, showing=Plant(names=("L3", "L4", "X1")), review=Reviewed("L4", 3))
    assert len(one.look(TWO)) == 2
    mail, chat = sent(outbox)
    assert told(mail)[""] == ["L3, L4, 06:00 to 14:00: 24 min lost to stops."]
    assert told(chat)[""] == ["X1, 06:00 to 14:00: what was lost isn't known."], "nothing was heard of it"
    assert (mail.line, chat.line) == (None, "X1")


def a_week(*, then: bool = True) -> MemoryHours:
    hours = MemoryHours(until=MONDAY)
    for week, supply in ((1, 0.5), (2, 1.0)) if then else ((1, 0.5),):
        begin = local(f"2026-03-{9 - 7 * week:02d}T00:00") if week == 1 else local("2026-02-23T00:00")
        more: dict[str, Any] = {"opened": 2, "in_time": 1.0, "late": 0.5, "missed": 0}
        hours.kept += [hour(begin + n * HOUR, supply=supply, **more) for n in range(168)]
    return hours


def test_the_week_is_told_line_by_line_beside_the_week_before() -> None:
    outbox = MemoryOutbox()
    digests(outbox, rules=WEEKLY, hours=a_week()).look(MONDAY)
    (found,) = sent(outbox)
    assert (found.kind, found.kind in SHEETS) == (WEEK, True)
    assert told(found) == {
        "": [
            (
                "Werk Nord, 2026-03-02 to 2026-03-08: 1 h 24 min lost to stops, 1 h 24 min less than in "
                "the week before."
            )
        ],
        "Line L3": [
            "supply out: 1 h 24 min, 504 stops; the week before 2 h 48 min",
            "336 warnings; 168 known to be in time, 84 late, 0 missed",
        ],
        "Supplies that cost most": ["L3 P1 F07, R-10K-0402: 1 h 24 min, 504 stops"],
        "Most parts lost": ["L3 P1 F07, R-10K-0402: 1,680 parts, 1 % of what it picked in those hours"],
        "Messages": ["Ines Quill: 84 messages", "Tomas Bell: 12 messages"],
    }


def test_a_first_week_has_no_comparison_yet() -> None:
    outbox = MemoryOutbox()
    digests(outbox, rules=WEEKLY, hours=a_week(then=False)).look(MONDAY)
    parts = told(sent(outbox)[0])
    assert parts[""] == ["Werk Nord, 2026-03-02 to 2026-03-08: 1 h 24 min lost to stops."]
    assert "No comparison yet: the week before has no figures." in parts["Line L3"]


def test_the_last_hours_of_a_week_are_waited_for_but_not_for_long() -> None:
    hours = a_week()
    hours.until = local("2026-03-08T12:00")
    hours.kept = [each for each in hours.kept if each.begin < hours.until]
    outbox = MemoryOutbox()
    one = digests(outbox, rules=WEEKLY, hours=hours)
    assert one.look(MONDAY + PATIENCE - 1) == []
    assert len(one.look(MONDAY + PATIENCE)) == 1
    assert told(sent(outbox)[0])["To know"] == ["Not every hour of this week has figures."]


def test_a_long_list_is_cut_and_what_is_left_out_is_counted() -> None:
    many = [msgspec.to_builtins(notice(id=f"n{n}", slot=f"F{n:02d}")) for n in range(20)]
    outbox = MemoryOutbox()
    digests(outbox, showing=Plant(notices=many)).look(TWO)
    rows = told(sent(outbox)[0])["Nobody is on it"]
    assert (len(rows), rows[-1]) == (7, "and 14 more")
