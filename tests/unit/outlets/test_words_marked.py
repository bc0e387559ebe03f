"""No message says anything past the catalogue: in a made-up language each text stands between ‹ and ›."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Sequence
from zoneinfo import ZoneInfo

import pytest

from service.domain.model import Change, Notice, Spread
from service.domain.notices import one_supply
from service.domain.said import Said, put
from service.language import ENGLISH, Language
from service.outlets.bundle import message
from service.outlets.pushed import News, pushed
from service.outlets.words import words
from service.usecases.awake import awake
from service.usecases.deliver import Telling
from tests.support.notices import closed, notice, urgent
from tests.words.gather import gather

ZONE = ZoneInfo("Europe/Berlin")
NAMES = "MCU-48Q|R-10K-0402|Ada|a reason of the future"
SILENT = Said(
    "{where} has been offline since {since_at}. Nothing warns of its slots until it is back.",
    {"where": "L3 P1", "since_at": "2026-03-02T06:14:07.250Z"},
)
PLACELESS: dict[str, object] = {"line": None, "station": None, "slot": None}
NOTICES = (
    notice(),
    urgent(id="a", supply_kind="tape", boundary_only=False, part=None),
    urgent(id="b", supply_kind=None, boundary_only=False, panels_to_empty=Spread(1, 1, 1)),
    notice(id="c", level="empty"),
    notice(id="d", panels_to_empty=None, empty_at=None),
    notice(id="e", panels_to_empty=Spread(0, 0, 1)),
    notice(id="f", state="taken", taken_by="Ada"),
    notice(id="g", state="quiet", quiet_panels=5),
    notice(id="h", state="quiet", quiet_until="2026-03-03T07:00:00.000Z"),
    closed(id="i"),
    closed(id="j", closed_because="person", closed_by="Ada"),
    closed(id="k", closed_because="person", closed_by=None),
    notice(id="l", kind="silent", slot=None, said=SILENT),
    notice(id="m", kind="outlet", said=Said("all outlets well"), **PLACELESS),
)


@pytest.fixture(scope="module")
def marked() -> Language:
    texts = {
        each.id if isinstance(each.id, str) else each.id[0]: f"‹{each.id}›"
        if isinstance(each.id, str)
        else tuple(f"‹{form}›" for form in each.id)
        for each in gather()
        if each.id
    }
    return Language("xx", texts, ENGLISH.form, ENGLISH.locale)


def unmarked(text: str) -> str:
    """What stands outside of all marks."""
    depth, outside = 0, ""
    for character in text:
        depth += (character == "‹") - (character == "›")
        outside += character if depth == 0 else " "
    return re.sub(NAMES, "", outside)


def in_words(told: Sequence[Telling], language: Language) -> str:
    (one,) = told
    said = words(one.notice, zone=ZONE, attempts=2, unheard=one.unheard, language=language)
    return f"{said.title} {said.text()} {said.opens}"


def bundled(told: Sequence[Telling], language: Language) -> str:
    said = message(told, zone=ZONE, late=True, language=language)
    return f"{said.title} {said.text()} {said.opens}"


def on_a_phone(told: Sequence[Telling], language: Language) -> str:
    news = [News(told=each, attempts=1, key=None) for each in told]
    sent = pushed(news, person="Ada", zone=ZONE, language=language)
    shown = [sent["title"], sent["body"], sent["said"], sent["actions"], sent["items"]]
    return " ".join(
        re.findall(r'"(?:title|text)": "((?:[^"\\]|\\.)*)"', json.dumps(shown, ensure_ascii=False))
    )


@pytest.mark.parametrize("about", NOTICES, ids=lambda each: f"{each.kind}-{each.state}-{each.id}")
def test_a_message_about_one_notice_is_all_in_its_language(marked: Language, about: Notice) -> None:
    for tell in (in_words, on_a_phone):
        said = tell([Telling(change=Change.OPENED, notice=about)], marked)
        assert "‹" in said
        assert re.findall(r"[a-z]{3,}", unmarked(said)) == [], said


@pytest.mark.parametrize("tell", [bundled, on_a_phone])
@pytest.mark.parametrize("many", [3, len(NOTICES)])
def test_one_about_several_too(
    marked: Language, tell: Callable[[Sequence[Telling], Language], str], many: int
) -> None:
    said = tell([Telling(change=Change.REMINDED, notice=each) for each in NOTICES[:many]], marked)
    assert "‹" in said
    assert re.findall(r"[a-z]{3,}", unmarked(said)) == [], said


def test_and_the_daily_sign_of_life_and_what_to_bring(marked: Language) -> None:
    for said in (
        awake(site="Tarn", open_notices=1, warnings=2, troubled=["mail"]),
        awake(site="Tarn", open_notices=0, warnings=0, troubled=[]),
        *(one_supply(kind, "R-10K-0402") for kind in ("tape", "tray", "stick", "bulk", None)),
    ):
        assert re.findall(r"[a-z]{3,}", unmarked(put(said, ZONE, marked))) == []
