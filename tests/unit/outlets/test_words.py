"""What a message says."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from service.domain.model import Spread
from service.outlets.words import CAUTION, words
from tests.support.notices import closed, notice, urgent

BERLIN = ZoneInfo("Europe/Berlin")
LINK = "https://bell.plant.example/notice/n7c1"


def headline(**fields: object) -> str:
    return words(notice(**fields), zone=BERLIN).headline


def test_a_message_answers_where_what_how_soon_what_to_bring_and_when_in_plant_time() -> None:
    assert words(notice(), zone=BERLIN, link=LINK).text().split("\n") == [
        "L3 P1 slot T2 runs low: about 9 panels left (8 to 11), empty about 07:23.",
        "Bring: one tray of MCU-48Q",
        "Exchange: only between two panels, at a stop at the end of the panel",
        CAUTION,
        LINK,
    ]


def test_a_tape_may_be_spliced_while_the_machine_runs() -> None:
    facts = dict(words(notice(supply_kind="tape", boundary_only=False), zone=BERLIN).facts)
    assert facts == {
        "Bring": "one reel of MCU-48Q",
        "Exchange": "a new tape may be spliced on while the machine runs",
    }


def test_a_slot_of_unknown_part_and_kind_still_says_what_to_bring() -> None:
    facts = dict(words(notice(part=None, supply_kind=None, boundary_only=False), zone=BERLIN).facts)
    assert facts["Bring"] == "one supply (part not known)"


@pytest.mark.parametrize(
    ("panels", "said"),
    [
        (Spread(38, 38, 38), "38 panels left"),
        (Spread(1, 1, 1), "1 panel left"),
        (Spread(0, 1, 2), "about 1 panel left (0 to 2)"),
        (Spread(0, 0, 1), "it may not last for the panel in work"),
        (None, "how many panels it lasts is not known"),
    ],
)
def test_panels_are_said_as_sure_as_they_are(panels: Spread[int] | None, said: str) -> None:
    assert headline(panels_to_empty=panels, empty_at=None) == f"L3 P1 slot T2 runs low: {said}."


def test_a_time_on_another_day_has_its_date() -> None:
    late = "2026-03-03T06:23:30.000Z"
    assert "empty about 2026-03-03 07:23" in headline(empty_at=Spread(late, late, late))


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"level": "urgent"}, "is almost empty: about 9"),
        ({"level": "empty"}, "is empty and the station waits."),
        ({"state": "taken", "taken_by": "badge 31"}, "runs low, taken by badge 31: about 9"),
        (
            {"state": "quiet", "quiet_until": "2026-03-02T07:00:00.000Z"},
            "runs low, quiet until 08:00: about 9",
        ),
        ({"state": "quiet", "quiet_panels": 5}, "runs low, quiet for 5 panels: about 9"),
    ],
)
def test_the_first_line_says_how_bad_it_is_and_who_is_on_it(fields: dict[str, object], said: str) -> None:
    assert headline(**fields).startswith(f"L3 P1 slot T2 {said}")


@pytest.mark.parametrize(
    ("because", "said"),
    [
        ("refilled", "it was refilled"),
        ("seen refilled", "it was refilled, as the counts show"),
        ("order done", "the order is done"),
        ("removed", "the supply was taken out"),
        ("better", "it lasts longer than was thought"),
        ("person", "by Ada"),
        ("a reason of the future", "a reason of the future"),
    ],
)
def test_a_closed_notice_says_why_and_asks_for_nothing(because: str, said: str) -> None:
    told = words(closed(closed_because=because, closed_by="Ada"), zone=BERLIN, link=LINK)
    assert told.text() == f"L3 P1 slot T2: closed, {said}.\n{LINK}"


def test_the_title_stays_the_same_through_the_life_of_a_notice() -> None:
    assert {words(one, zone=BERLIN).title for one in (notice(), urgent(), closed())} == {
        "L3 P1 slot T2: supply runs out"
    }


def test_a_notice_of_another_kind_speaks_its_own_message() -> None:
    told = words(
        notice(kind="silent", slot=None, message="P1 fell silent at 07:14.", supply_kind=None), zone=BERLIN
    )
    assert (told.title, told.text()) == ("L3 P1: gateway silent", "P1 fell silent at 07:14.")


def test_a_late_message_says_that_it_may_be_a_repeat() -> None:
    assert words(notice(), zone=BERLIN, attempts=2).notes == ("Delivered late; it may be a repeat.",)


def test_a_message_that_replaces_another_says_so() -> None:
    notes = words(urgent(), zone=BERLIN, attempts=2, replaces=True).notes
    assert notes == ("This replaces a message that could not be delivered in time.",)


def test_what_closed_before_its_opening_was_told_says_both() -> None:
    said = words(closed(), zone=BERLIN, replaces=True, unheard=True)
    assert said.headline == "L3 P1 slot T2: supply runs out (07:14), closed by now: it was refilled."
    assert said.caution is None


def test_what_concerns_the_whole_site_is_named_after_what_it_is_about() -> None:
    place = dict.fromkeys(("line", "station", "slot"))
    trouble: dict[str, object] = {"kind": "outlet", "about": "hook", "message": "No word gets through."}
    trouble |= place
    opened = words(notice(**trouble), zone=BERLIN)
    assert (opened.title, opened.headline) == ("hook: messages not delivered", "No word gets through.")
    ended = words(closed(**trouble | {"closed_because": "ended"}), zone=BERLIN)
    assert ended.headline == "hook: closed, it is over."
