"""What a message says in German: the same facts, with care where hands go."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import pytest

from service.domain.said import Said
from service.language import speak
from service.outlets import build_outlet
from service.outlets.escape import chat_safe, cleaned
from service.outlets.words import words
from tests.support.notices import closed, notice

BERLIN = ZoneInfo("Europe/Berlin")
GERMAN = speak("de")


def headline(**fields: object) -> str:
    return words(notice(**fields), zone=BERLIN, language=GERMAN).headline


def test_a_message_answers_where_what_how_soon_what_to_bring_and_when() -> None:
    told = words(notice(), zone=BERLIN, language=GERMAN)
    assert told.title == "L3 P1 Platz T2: Material geht aus"
    assert told.headline == "L3 P1 Platz T2 wird knapp: noch etwa 9 Nutzen (8 bis 11), leer gegen 07:23."
    assert told.facts == (
        ("Holen", "ein Tray MCU-48Q"),
        ("Wechsel", "nur zwischen zwei Nutzen, bei einem Halt am Ende des Nutzens"),
    )
    assert (told.tongue, told.opens) == ("de", "Diese Meldung öffnen")


def test_the_caution_names_manual_local_rules_and_guards_and_forbids_the_emergency_stop() -> None:
    caution = words(notice(), zone=BERLIN, language=GERMAN).caution or ""
    for named in (
        "Betriebsanleitung der Maschine",
        "Regeln vor Ort",
        "Schutzeinrichtungen",
        "Niemals mit Not-Halt",
    ):
        assert named in caution


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"level": "urgent"}, "ist fast leer: noch etwa 9 Nutzen"),
        ({"level": "empty"}, "ist leer und die Station wartet."),
        ({"state": "taken", "taken_by": "Ada"}, "wird knapp, übernommen von Ada: noch etwa 9"),
        ({"state": "quiet", "quiet_panels": 1}, "wird knapp, stumm für 1 Nutzen: noch"),
        ({"state": "quiet", "quiet_until": "2026-03-02T07:00:00.000Z"}, "wird knapp, stumm bis 08:00: noch"),
    ],
)
def test_the_first_line_says_how_bad_it_is_and_who_is_on_it(fields: dict[str, object], said: str) -> None:
    assert headline(**fields).startswith(f"L3 P1 Platz T2 {said}")


def test_a_closed_one_says_why() -> None:
    told = words(closed(closed_because="refilled"), zone=BERLIN, language=GERMAN)
    assert told.text() == "L3 P1 Platz T2: geschlossen, nachgefüllt."


def test_a_notice_of_another_kind_is_said_in_german_too_and_its_clock_is_the_plants() -> None:
    said = Said(
        "{where} has been offline since {since_at}. Nothing warns of its slots until it is back.",
        {"where": "L3 P1", "since_at": "2026-03-02T06:14:07.250Z"},
    )
    silent = notice(kind="silent", slot=None, said=said, message="L3 P1 has been offline since 07:14. …")
    told = words(silent, zone=BERLIN, language=GERMAN).headline
    assert told == "L3 P1 ist seit 07:14 offline. Bis sie zurück ist, warnt nichts vor leeren Plätzen dort."


def test_one_from_before_without_a_sentence_speaks_its_message() -> None:
    assert headline(kind="silent", slot=None, said=None, message="P1 fell silent.") == "P1 fell silent."


def test_names_inside_a_sentence_are_made_harmless_like_all_others() -> None:
    evil = "<!channel>\n@here {place}"
    inner = Said(
        "{slot} takes {counted} parts a panel by the counts, not {said}",
        {"slot": evil, "counted": 1.5, "said": 2},
    )
    said = Said(
        "{where}: recipe {recipe} doesn't agree with the counts. {differ}{more}. The forecast goes by"
        " the counts.",
        {"where": evil, "recipe": evil, "differ": (inner,), "more": Said(" ({reason})", {"reason": evil})},
    )
    told = words(cleaned(notice(kind="recipe", said=said), chat_safe), zone=BERLIN, language=GERMAN).headline
    assert not set(told) & set("<>@\n")
    assert told.count("‹!channel› ＠here {place}") == 4
    assert "braucht laut Zählung 1,5 Teile je Nutzen, nicht 2" in told


def test_each_outlet_for_people_speaks_the_language_it_is_given() -> None:
    mail = {
        "type": "email",
        "smtp_url": "smtp://mail.plant.example",
        "from_": "bell@plant.example",
        "to": "a@b.example",
    }
    for plain in ({"type": "chat", "url": "https://chat.plant.example/x"}, mail):
        outlet = build_outlet(name="night", language=GERMAN, **plain)  # type: ignore[arg-type]
        assert outlet._language is GERMAN  # type: ignore[attr-defined]
