"""Sound, silence and sleep: what the page does when nobody looks at it, and when it hears nothing."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from service.web.stream import Hub
from tests.support.floor import Floor
from tests.support.wait import eventually

OpenPage = Callable[..., Page]
LISTEN = "window.rang = []; window.addEventListener('rang', (event) => window.rang.push(event.detail));"


def rang(page: Page, *tones: str) -> None:
    eventually(lambda: len(page.evaluate("window.rang")) >= len(tones), message=f"never rang {tones}")
    assert page.evaluate("window.rang") == list(tones)


def with_sound(page: Page) -> Page:
    page.evaluate(LISTEN)
    page.get_by_role("button", name="Sound").click()
    rang(page, "call")  # so that one knows what it sounds like
    page.evaluate("window.rang.length = 0")
    return page


def test_no_sound_is_made_until_a_person_wants_it(floor: Floor, open_page: OpenPage) -> None:
    page = open_page()
    page.evaluate(LISTEN)
    expect(page.get_by_role("button", name="Sound")).to_have_attribute("aria-pressed", "false")
    floor.warn("P1", "F11", level="empty")
    expect(page.locator("#notice-n-L3-P1-F11")).to_be_visible()
    assert page.evaluate("window.rang") == []


def test_what_comes_together_is_one_tone_and_empty_has_its_own(floor: Floor, open_page: OpenPage) -> None:
    page = with_sound(open_page(clock=True))
    page.clock.pause_at(page.evaluate("Date.now()") / 1000 + 3)
    for slot in ("F08", "F09", "F11"):
        floor.warn("P1", slot, level="early")
    expect(page.locator("#announce")).to_contain_text("P1 F11")
    page.clock.run_for(1000)
    rang(page, "call")
    floor.warn("P2", "T1", level="early")
    floor.warn("P2", "S1", level="empty")
    expect(page.locator("#alarm")).to_contain_text("Empty: P2 S1")
    page.clock.run_for(500)
    rang(page, "call")  # the next comes two seconds later
    page.clock.run_for(1500)
    rang(page, "call", "empty")


def test_what_is_taken_or_closed_makes_no_sound(floor: Floor, open_page: OpenPage) -> None:
    page = with_sound(open_page())
    floor.take("n-L3-P2-T2", by="Mira")
    floor.close("n-L3-P1-F07", by="Mira", reason="done")
    floor.ask("P2", "F31")
    expect(page.locator("#questions .notice")).to_have_count(1)
    floor.warn("P1", "F11", level="early")
    rang(page, "call")


def test_only_what_is_chosen_sounds(floor: Floor, open_page: OpenPage) -> None:
    page = with_sound(open_page(name="Mira"))
    page.get_by_role("radio", name="Mine").check(force=True)
    floor.warn("P1", "F11", level="empty")
    expect(page.locator("#elsewhere")).to_contain_text("1 of them empty")
    page.get_by_role("radio", name="All").check(force=True)
    floor.warn("P1", "F09", level="early")
    rang(page, "call")


def test_after_a_reload_sound_waits_for_a_touch_and_says_so(floor: Floor, open_page: OpenPage) -> None:
    page = with_sound(open_page())
    page.reload()
    expect(page.get_by_role("button", name="Sound")).to_have_attribute("aria-pressed", "true")
    note = page.locator(".sounding .note")
    expect(note).to_have_text("Silent until you press something on this page: browsers want that.")
    page.evaluate(LISTEN)
    page.keyboard.press("Tab")
    expect(note).to_have_text("")
    floor.warn("P1", "F11", level="early")
    rang(page, "call")


@pytest.fixture
def offline(open_page: OpenPage) -> Any:
    page = open_page(name="Mira")
    page.context.set_offline(True)
    expect(page.locator("#freshness")).to_have_attribute("data-state", "lost")
    return page


def test_offline_says_so_at_once_with_the_age_and_that_nothing_is_kept(offline: Page) -> None:
    words = offline.locator("#freshness")
    expect(words).to_contain_text("Not connected. What you see is")
    expect(words).to_contain_text("What you press now isn't stored, nor kept for later.")
    card = offline.locator("#notice-n-L3-P2-T2")
    card.get_by_role("button", name="I'm on it").click()
    expect(card.locator(".said")).to_have_text("No connection. Nothing is known to be stored; try again.")


def test_back_online_everything_is_asked_for_at_once(floor: Floor, offline: Page) -> None:
    floor.hub.close()  # what happens now reaches nobody by itself
    floor.hub = Hub()
    floor.warn("P1", "F11", level="urgent")
    offline.context.set_offline(False)
    expect(offline.locator("#notice-n-L3-P1-F11")).to_be_visible()
    expect(offline.locator("#freshness")).not_to_have_attribute("data-state", "lost")


def test_a_device_that_slept_asks_for_everything_when_it_wakes(floor: Floor, open_page: OpenPage) -> None:
    page = open_page(clock=True)
    floor.hub = Hub()  # what happens now doesn't reach the page
    floor.warn("P1", "F11", level="urgent")
    page.clock.fast_forward(20_000)
    expect(page.locator("#notice-n-L3-P1-F11")).to_be_visible()
