"""The guided exchange on a phone, walked through with real rules and a real store behind it."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import BrowserContext, Page, expect

from tests.support.floor import served
from tests.support.hall import Hall, hall
from tests.support.scanner import GS, strike

MOST_TAPS, MOST_SECONDS = 8, 20.0
"""What the exchange is promised to take at 360 px."""
LABEL = "[)>\x1e06\x1d1PMCU-48Q\x1dQ160\x1d1TB81\x1dSTRAY9\x1e\x04"


@pytest.fixture
def line(tmp_path: Path) -> Iterator[Hall]:
    with hall(tmp_path) as line:
        line.supply("counted", "T2", quantity=8)
        line.supply("counted", "F08", quantity=300)
        yield line


@pytest.fixture
def page(line: Hall, new_context: Callable[..., BrowserContext]) -> Iterator[Page]:
    with served(line.app, line.hub) as address:
        page = new_context(has_touch=True).new_page()
        page.on("pageerror", lambda error: pytest.fail(f"the page failed: {error}"))
        page.add_init_script("localStorage.setItem('earlybell.name', 'Ines')")
        page.add_init_script(
            "addEventListener('click', () => { window.taps = (window.taps ?? 0) + 1; }, true)"
        )
        page.goto(f"{address}/exchange?line=L3")
        page.wait_for_selector(".pick button")
        yield page


def scan(page: Page, text: str) -> None:
    """As a scanner that plays keyboard does it: no field has the focus, keys come fast."""
    strike(page, [*(GS if character == "\x1d" else character for character in text), "Enter"])


def violations(page: Page) -> list[str]:
    found = Axe().run(page, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]})
    return [f"{each['id']}: {each['nodes'][0]['html'][:120]}" for each in found.response["violations"]]


def test_an_exchange_takes_few_taps_and_seconds_and_can_be_undone(page, line):
    began = time.monotonic()
    page.locator(".pick button").first.tap()
    expect(page.locator(".guide h2")).to_have_text("T2 P1 · line L3")
    expect(page.locator(".bring")).to_have_text("Bring a tray of MCU-48Q.")
    expect(page.locator(".moment")).to_contain_text("Wait for the end of the one in work.")
    expect(page.locator(".cautions li").nth(2)).to_contain_text("Never use the emergency stop")
    page.locator(".scan input").tap()
    page.locator(".scan input").fill("MCU-48Q")
    page.get_by_role("button", name="Read").tap()
    expect(page.locator(".judged h2")).to_have_text("Right")
    expect(page.get_by_label("Parts")).to_have_value("160")
    page.get_by_role("button", name="It is loaded").tap()
    expect(page.locator(".done h2")).to_have_text("Done: T2")
    seconds, taps = time.monotonic() - began, page.evaluate("window.taps")

    assert taps < MOST_TAPS, taps
    assert seconds < MOST_SECONDS, seconds
    assert line.left("T2") == 160
    assert violations(page) == []

    expect(page.get_by_role("button", name="Next slot: P1 F08")).to_be_visible()
    page.get_by_role("button", name="Undo").tap()
    expect(page.locator(".guide .news")).to_have_text("Undone: the slot is as it was before.")
    assert line.left("T2") == 8


def test_a_wrong_part_is_refused_until_somebody_answers_for_it_and_keys_suffice(page, line):
    page.keyboard.press("Tab")
    page.locator(".pick button").first.focus()
    page.keyboard.press("Enter")
    expect(page.locator(".guide h2")).to_be_focused()
    assert violations(page) == []
    page.locator(".scan input").focus()
    page.keyboard.type("C-100N-0402")
    page.keyboard.press("Enter")
    expect(page.locator(".judged h2")).to_have_text("Wrong part")
    expect(page.locator(".judged h2")).to_be_focused()
    expect(page.get_by_role("button", name="It is loaded")).to_have_count(0)
    assert violations(page) == []
    page.get_by_role("button", name="Load it all the same…").press("Enter")
    page.keyboard.type("released by quality")
    page.keyboard.press("Enter")

    expect(page.locator(".done .odd")).to_have_text("Accepted by Ines: released by quality")
    assert line.ingest.world.stations["L3", "P1"].slots["T2"].part == "C-100N-0402"
    (notice,) = [
        each for each in line.shown.notices(states=None, limit=9, after=None) if each["kind"] == "wrong part"
    ]
    assert (notice["state"], notice["taken_by"]) == ("taken", "Ines")


def test_a_scanner_finds_the_slot_and_reads_the_label_wherever_the_focus_is(page, line):
    scan(page, "L3/P1/T2")
    expect(page.locator(".guide h2")).to_contain_text("T2")
    scan(page, LABEL.replace("\x1e", "").replace("\x04", "").removeprefix("[)>06\x1d"))
    expect(page.locator(".judged h2")).to_have_text("Right")
    expect(page.get_by_label("Lot")).to_have_value("B81")
