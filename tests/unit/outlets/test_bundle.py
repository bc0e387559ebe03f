"""What one message says of several notices."""

from __future__ import annotations

import re
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st

from service.domain.model import Change, Notice, Spread
from service.outlets.bundle import HEAD, IN_FULL, message
from service.outlets.words import Words
from service.usecases.deliver import Telling
from tests.support.notices import closed, notice, urgent

LINK = "https://bell.plant.example/?line=L3"


def tape(slot: str, **fields: object) -> Notice:
    said: dict[str, object] = {"supply_kind": "tape", "boundary_only": False, "part": "R-10K-0402"}
    return notice(id=slot, slot=slot, **said | fields)


def said(*notices: Notice, changes: tuple[Change, ...] = (), late: bool = False) -> Words:
    told = [
        Telling(change=changes[n] if changes else Change.OPENED, notice=each)
        for n, each in enumerate(notices)
    ]
    return message(told, zone=ZoneInfo("Europe/Berlin"), link=LINK, late=late)


FEW = (
    urgent(id="t1", slot="T1", level="empty"),
    urgent(),
    tape("F07", panels_to_empty=Spread(9, 9, 9)),
    urgent(id="f8", slot="F08", state="taken", taken_by="Ada"),
    closed(id="f9", slot="F09"),
)


def test_a_few_slots_have_a_line_each_with_what_is_left_until_when_what_to_bring_and_when_to_exchange() -> (
    None
):
    assert said(*FEW).text().split("\n")[:7] == [
        "L3: 1 slot empty, 1 slot almost empty, 1 slot runs low, 1 taken, 1 closed.",
        "Bring: 2 trays of MCU-48Q, one reel of R-10K-0402",
        "P1 slot T1: empty, the station waits; one tray of MCU-48Q, only between two panels.",
        "P1 slot T2: about 2 panels left, empty about 07:23; one tray of MCU-48Q, only between two panels.",
        "P1 slot F07: 9 panels left, empty about 07:23; one reel of R-10K-0402.",
        "P1 slot F08 is almost empty, taken by Ada: about 2 panels left (2 to 3), empty about 07:23.",
        "P1 slot F09: closed, it was refilled.",
    ]


def test_one_link_leads_to_all_of_them_and_one_caution_is_said() -> None:
    words = said(*FEW)
    lines = words.text().split("\n")
    assert lines[-1] == LINK
    assert words.opens == "Open this line"
    assert sum("emergency stop" in line for line in lines) == 1
    assert said(closed(), closed(id="n2")).caution is None


def test_the_sum_of_what_to_bring_leaves_out_what_others_took_and_says_nothing_of_two_slots() -> None:
    assert dict(said(*FEW[:2]).facts) == {}
    taken = [tape(f"F{n}", state="taken") for n in range(5)]
    assert dict(said(tape("A"), tape("B"), urgent(), *taken).facts) == {
        "Bring": "2 reels of R-10K-0402, one tray of MCU-48Q"
    }


def test_a_storm_says_the_numbers_the_most_urgent_in_full_and_every_other_by_name() -> None:
    storm = [tape(f"F{n}", station=f"P{n % 2}", panels_to_empty=Spread(n, n, n)) for n in range(3, 43)]
    lines = said(urgent(), *storm, closed(id="c", slot="C1")).text().split("\n")
    assert lines[0] == "L3: 1 slot almost empty, 40 slots run low, 1 closed."
    assert [line.startswith("P") for line in lines[2 : 2 + HEAD + 1]] == [True] * HEAD + [False]
    assert lines[2 + HEAD].startswith("Low, P1: F7 (7), F9 (9), F11 (11)")
    assert "Closed, P1: C1" in lines
    assert "Panels left are in brackets." in lines


def test_a_storm_of_300_slots_fits_a_chat_message() -> None:
    """Slack cuts a text after 40,000 characters and advises 4,000 (from memory of its documentation)."""
    storm = [tape(f"F{n:03}", station=f"P{n % 12}", part=f"R-{n % 60:03}-0402") for n in range(300)]
    assert len(said(*storm).text()) < 4_000


def test_several_lines_are_counted_and_each_slot_says_its_line() -> None:
    words = said(urgent(), tape("F07", line="L4"))
    assert words.headline == "2 lines: 1 slot almost empty, 1 slot runs low."
    assert [note.split(" slot")[0] for note in words.notes] == ["L3 P1", "L4 P1"]
    assert words.opens == "Open the page of all lines"


def test_what_is_no_supply_is_said_in_its_own_words() -> None:
    silent = notice(id="s", kind="silent", slot=None, level="urgent", message="L3 P1 is silent since 07:10.")
    words = said(urgent(), silent)
    assert words.headline == "L3: 1 slot almost empty, 1 other notice."
    assert words.notes[1] == "L3 P1 is silent since 07:10."


def test_a_reminder_says_so_alone_and_among_others() -> None:
    again = "It is still open, and nobody has taken it."
    alone = said(urgent(reminded=1), changes=(Change.REMINDED,))
    assert alone.notes == (again,)
    among = said(urgent(reminded=1), tape("F07"), changes=(Change.REMINDED, Change.OPENED))
    assert [again in note for note in among.notes] == [True, False]


def test_a_late_message_says_that_it_may_be_a_repeat() -> None:
    assert said(*FEW, late=True).notes[-1] == "Delivered late; it may be a repeat."


SLOTS = st.lists(
    st.tuples(
        st.sampled_from(["early", "urgent", "empty"]),
        st.sampled_from(["open", "taken", "quiet", "closed"]),
        st.sampled_from(["L3", "L4"]),
        st.none() | st.integers(0, 99).map(lambda n: Spread(n, n, n + 1)),
    ),
    min_size=2,
    max_size=2 * IN_FULL,
)


@given(SLOTS)
def test_every_slot_is_named_whatever_is_the_matter_with_it(
    slots: list[tuple[str, str, str, Spread[int] | None]],
) -> None:
    notices = [
        tape(f"S{n}", level=level, state=state, line=line, panels_to_empty=left)
        for n, (level, state, line, left) in enumerate(slots)
    ]
    named = re.findall(r"\bS\d+\b", "\n".join(said(*notices).notes))
    assert sorted(named) == sorted(each.slot or "" for each in notices)
