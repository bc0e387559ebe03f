"""Hostile text on the pages: shown as text, and no script of it runs."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable
from urllib.parse import quote

import pytest
from playwright.sync_api import Dialog, Page, expect

from tests.support.floor import Floor, Place
from tests.support.hostile import HOSTILE, NAMES

OpenPage = Callable[..., Page]


def watched(page: Page) -> Page:
    def alarm(dialog: Dialog) -> None:
        pytest.fail(f"a dialog opened: {dialog.message}")

    page.on("dialog", alarm)
    return page


def check_harmless(page: Page) -> None:
    assert page.evaluate("window.pwned") is None
    assert page.locator("script:not([src])").count() == 0
    assert page.locator("main img").count() == 0
    assert page.locator("a[href^='javascript']").count() == 0
    assert page.locator("[onerror], [onfocus], [autofocus]").count() == 0


def squeezed(text: str) -> str:
    """As a page may show it: white space is one space, what has no look may be gone."""
    shown = "".join(" " if c.isspace() else c for c in text)
    return " ".join("".join(c for c in shown if not unicodedata.category(c).startswith("C")).split())


def hostile_floor(floor: Floor) -> None:
    """Every text as a part, on slots with awkward names, with a notice for each."""
    for number, text in enumerate(HOSTILE.values()):
        station, slot = NAMES[number % len(NAMES)], f"{NAMES[-1]}{number}"
        floor.places.append(
            Place(line="L3", station=station, slot=slot, part=text, kind="tray", usage=1, left=2)
        )
        note = floor.warn(station, slot, level="urgent")
        floor.take(note.id, by=text)


def test_no_text_on_the_road_ahead_is_anything_but_text(floor: Floor, open_page: OpenPage) -> None:
    hostile_floor(floor)
    page = watched(open_page("/?line=L3"))
    expect(page.locator(".rows .row").nth(len(HOSTILE))).to_be_attached()
    body = squeezed(page.evaluate("document.body.textContent"))
    for text in HOSTILE.values():
        assert squeezed(text) in body
    check_harmless(page)


def test_no_text_on_the_page_of_a_slot_or_a_notice_is_anything_but_text(
    floor: Floor, open_page: OpenPage
) -> None:
    place = Place(
        line="L3", station="__proto__", slot="constructor", part="MCU", kind="tray", usage=1, left=2
    )
    floor.places.append(place)
    page = watched(open_page("/line/L3/station/__proto__/slot/constructor"))
    slot = page.url
    for text in HOSTILE.values():
        place.part = text
        note = floor.warn("__proto__", "constructor", level="urgent")
        floor.take(note.id, by=text)
        page.goto(slot)
        expect(page.locator("#part")).not_to_have_text("")
        assert squeezed(page.locator("#part").text_content() or "") == squeezed(text)
        check_harmless(page)
        page.goto(slot.split("/line/")[0] + "/notice/" + quote(note.id))
        page.wait_for_selector(".single > .notice")
        assert squeezed(text) in squeezed(page.evaluate("document.body.textContent"))
        check_harmless(page)


def test_a_text_that_turns_the_reading_direction_turns_nothing_beside_it(
    floor: Floor, open_page: OpenPage
) -> None:
    floor.place("P2", "T1").part = HOSTILE["turned"]
    page = open_page("/line/L3/station/P2/slot/T1")
    expect(page.locator("#part")).to_contain_text("MCU")
    assert page.locator("#part").evaluate("each => getComputedStyle(each).unicodeBidi") in (
        "isolate",
        "plaintext",
        "isolate-override",
    )


def test_no_link_or_name_in_the_address_is_anything_but_text(open_page: OpenPage) -> None:
    page = watched(open_page("/"))
    page.goto(page.url + "?line=" + quote(HOSTILE["script"]))
    page.wait_for_load_state("networkidle")
    check_harmless(page)
    for path in ("/notice/", "/line/L3/station/P1/slot/"):
        answer = page.goto(page.url.split("/?")[0] + path + quote(HOSTILE["image"], safe=""))
        assert answer is not None
        assert answer.status == 404
        check_harmless(page)
