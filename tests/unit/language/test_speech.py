"""A language: its words, its forms for numbers, its clock; and what is wrong in a file costs no message."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import pytest
from babel import Locale

from service.language import ENGLISH, NoLanguage, languages, speak

# Polish forms: CLDR, supplemental/plurals.xml (one, few, many), as Babel carries it; the rule is that of
# the GNU gettext manual, "Plural forms".
POLISH = r"""
msgid ""
msgstr ""
"Content-Type: text/plain; charset=utf-8\n"
"Plural-Forms: nplurals=3; plural=(n==1 ? 0 : n%10>=2 && n%10<=4 && (n%100<10 || n%100>=20) ? 1 : 2);\n"

msgid "{number} panel left"
msgid_plural "{number} panels left"
msgstr[0] "{number} panel"
msgstr[1] "{number} panele"
msgstr[2] "{number} paneli"

msgid "slot {slot}"
msgstr "gniazdo {slot}"
"""


@pytest.fixture
def own(tmp_path: Path) -> Path:
    (tmp_path / "pl.po").write_text(POLISH, encoding="utf-8")
    return tmp_path


def test_english_is_its_own_catalogue() -> None:
    assert ENGLISH.say("slot {slot}", slot="T2") == "slot T2"
    assert [ENGLISH.say_many("{number} panel", "{number} panels", n) for n in (0, 1, 2, 1200)] == [
        "0 panels", "1 panel", "2 panels", "1,200 panels",
    ]  # fmt: skip


def test_german_says_the_same_in_german() -> None:
    german = speak("de")
    assert german.say("slot {slot}", slot="T2") == "Platz T2"
    assert german.say_many("{n} part", "{n} parts", 1, n=1) == "1 Teil"
    assert german.say_many("{n} part", "{n} parts", 2, n=2) == "2 Teile"
    assert german.name == "Deutsch"


def test_what_a_catalogue_lacks_is_said_in_english() -> None:
    assert speak("de").say("{what} nobody ever says", what="words") == "words nobody ever says"
    assert speak("de").say_many("{number} unheard", "{number} unheards", 2) == "2 unheards"


def test_a_value_is_never_read_as_a_text_to_fill_in() -> None:
    assert speak("de").say("slot {slot}", slot="{site}") == "Platz {site}"


@pytest.mark.parametrize(
    ("tag", "number", "day"), [("en", "12,345.6", "2026-03-04"), ("de", "12.345,6", "04.03.2026")]
)
def test_numbers_and_days_are_those_of_the_language_and_the_clock_has_24_hours(
    tag: str, number: str, day: str
) -> None:
    """CLDR's patterns for German (#,##0.### with . and ,; dd.MM.y); in English ISO 8601."""
    language = speak(tag)
    moment = datetime(2026, 3, 4, 18, 5)  # noqa: DTZ001 - a local time
    assert (language.number(12345.6), language.day(moment), language.clock(moment)) == (number, day, "18:05")


@pytest.mark.parametrize(("tag", "order"), [("de", ["one", "other"]), ("pl", ["one", "few", "many"])])
def test_each_form_of_german_and_of_a_language_by_file_is_that_of_cldr(
    own: Path, tag: str, order: list[str]
) -> None:
    numbers = [*range(130), 1000, 1001, 1_000_000]
    forms = [order[speak(tag, own).form(number)] for number in numbers]
    assert forms == [Locale.parse(tag).plural_form(number) for number in numbers]


def test_the_page_is_told_which_form_each_of_cldrs_categories_takes(own: Path) -> None:
    assert speak("pl", own).plurals() == {"one": 0, "few": 1, "many": 2}
    assert speak("de").plurals() == {"one": 0, "other": 1}


def test_a_language_by_file_counts_as_it_does_there(own: Path) -> None:
    polish = speak("pl", own)
    said = [polish.say_many("{number} panel left", "{number} panels left", n) for n in (1, 2, 5, 22)]
    assert said == ["1 panel", "2 panele", "5 paneli", "22 panele"]
    assert polish.say_many("{number} panel left", "{number} panels left", 1.5) == "1,5 paneli"


def test_a_file_in_the_plants_directory_adds_a_language_or_goes_before_ours(own: Path) -> None:
    assert languages(own) == ("en", "de", "pl")
    (own / "de.po").write_text(POLISH, encoding="utf-8")
    assert speak("de", own).say("slot {slot}", slot="T2") == "gniazdo T2"
    assert speak("de").say("slot {slot}", slot="T2") == "Platz T2"


def test_what_lacks_a_form_is_said_in_english(tmp_path: Path) -> None:
    short = POLISH.replace('msgstr[2] "{number} paneli"\n', "")
    (tmp_path / "pl.po").write_text(short, encoding="utf-8")
    assert speak("pl", tmp_path).say_many("{number} panel left", "{number} panels left", 5) == "5 panels left"


def test_a_reader_may_have_another_language_than_the_rest(own: Path) -> None:
    assert speak("en", own).beside("pl").tag == "pl"
    assert ENGLISH.beside("de").say("slot {slot}", slot="T2") == "Platz T2"
    assert speak("de").beside("pl").tag == "de"
    assert speak("de").beside(None).tag == "de"


def test_english_stays_what_it_is_and_another_tag_is_unknown(own: Path) -> None:
    (own / "en.po").write_text(POLISH, encoding="utf-8")
    assert speak("en", own).say("slot {slot}", slot="T2") == "slot T2"
    with pytest.raises(KeyError):
        speak("fr", own)


@pytest.mark.parametrize(
    "wrong",
    [
        'msgid "slot {slot}"\nmsgstr "Platz {place}"\n',
        'msgid "slot {slot}"\nmsgstr "Platz {slot"\n',
        'msgid "slot {slot}"\nmsgstr "Platz {slot.__class__}"\n',
        'msgid "slot {slot}"\nmsgstr "Platz {slot!r}"\n',
        'msgid "slot {slot}"\nmsgstr "Platz {slot:>9999}"\n',
        'msgid "slot {slot}"\nmsgstr "Platz {}"\n',
        '#, fuzzy\nmsgid "slot {slot}"\nmsgstr "Platz {slot}"\n',
        'msgid "slot {slot}"\nmsgstr ""\n',
    ],
)
def test_a_translation_that_can_not_be_filled_in_is_left_out(tmp_path: Path, wrong: str) -> None:
    (tmp_path / "nl.po").write_text(wrong, encoding="utf-8")
    assert speak("nl", tmp_path).say("slot {slot}", slot="T2") == "slot T2"


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("nl.po", "nonsense\n"),
        ("nl.po", 'msgid "slot {slot}"\nmsgstr[x] "Platz {slot}"\n'),
        ("nl.po", '"Plural-Forms: nplurals=2; plural=(n ** 2);\\n"\n'),
        ("plain.po", 'msgid "a"\nmsgstr "b"\n'),
    ],
)
def test_a_file_that_can_not_be_read_is_told_by_its_name(tmp_path: Path, name: str, text: str) -> None:
    head = 'msgid ""\nmsgstr ""\n' if text.startswith('"') else ""
    (tmp_path / name).write_text(head + text, encoding="utf-8")
    with pytest.raises(NoLanguage, match=name):
        speak(Path(name).stem, tmp_path)
