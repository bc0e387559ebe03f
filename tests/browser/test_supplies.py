"""The page of supplies: what ends first, what was done said with a press, and the tray of a slot."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests.browser.test_looks import OpenPage, refuse_what_looks_wrong
from tests.support.floor import Floor


def card(page: Page, supply: str) -> Any:
    return page.locator(".supply-card").filter(has=page.get_by_role("heading", name=supply, exact=True))


def say(page: Page, supply: str, button: str, yes: str) -> None:
    card(page, supply).get_by_role("button", name=button).click()
    expect(page.locator("dialog")).to_be_visible()
    page.get_by_role("button", name=yes).click()
    expect(page.locator("dialog")).to_have_count(0)


def test_what_ends_first_stands_first_and_what_was_done_is_said_with_two_presses(
    site: tuple[str, Floor], new_page: OpenPage
) -> None:
    page = new_page(site[0], timezone_id="UTC")
    page.on("pageerror", lambda error: pytest.fail(f"the page failed: {error}"))
    page.add_init_script("localStorage.setItem('earlybell.name', 'Ines')")
    page.goto(f"{site[0]}/supplies")
    expect(page.locator("#verdict")).to_have_text(
        "The floor life of 1 supply is over. 1 floor life ends within 2 hours."
    )
    assert page.locator(".supply-card h3").all_inner_texts()[:2] == ["R-2207", "R-2211"]
    assert "from memory of J-STD-033" in page.locator(".shelf > .note").inner_text()
    expect(card(page, "R-1001")).to_have_count(0)

    expect(card(page, "TR-0412")).to_contain_text("Open · level 3")
    say(page, "TR-0412", "Into the dry cabinet…", "Yes, it is in")
    expect(card(page, "TR-0412")).to_contain_text("68 h left; the clock stands")
    expect(card(page, "TR-0412").locator(".said")).to_have_text("Noted: it is in the dry.")
    card(page, "TR-0412").get_by_role("button", name="Out again").click()
    expect(card(page, "TR-0412")).to_contain_text("left, until")

    card(page, "R-2211").get_by_role("button", name="Opened…").click()
    page.get_by_label("When?").fill("2026-03-01T07:00")
    page.get_by_role("button", name="Yes, it is open").click()
    expect(card(page, "R-2211")).to_contain_text("Open · level 5a")

    card(page, "R-2207").get_by_role("button", name="Baked…").click()
    expect(page.locator("dialog")).to_contain_text("those of the maker's label, the standard itself")
    refuse_what_looks_wrong(page)
    page.get_by_role("button", name="Yes, baked to the end").click()
    expect(card(page, "R-2207")).to_contain_text("Open · level 5a")
    expect(page.locator("#verdict")).to_have_text("1 floor life ends within 2 hours.")

    page.locator("#which").select_option("all")
    page.get_by_label("Supply, part or lot").fill("10k")
    assert page.locator(".supply-card h3").all_inner_texts() == ["R-1001"]
    expect(card(page, "R-1001")).to_contain_text("Nobody says that it is sensitive to moisture.")

    page.get_by_label("Supply, part or lot").fill("[)>␞06␝1PMCU-48Q␝STR-0413␞␄")
    page.get_by_role("button", name="Read").click()
    expect(page.locator(".supply-card h3")).to_have_text(["TR-0413"])


def test_a_slot_shows_the_floor_life_and_the_next_cell_of_what_is_in_it(open_page: OpenPage) -> None:
    page = open_page("/line/L3/station/P2/slot/T2")
    expect(page.locator("#tray")).to_contain_text("Tray 3 of 3, next cell: row 8, column 19.")
    expect(page.locator("#tray")).to_contain_text("2 cavities were found empty.")
    expect(page.locator("#tray svg .full")).to_have_count(2)
    expect(page.locator("#life")).to_contain_text("60 min left, until 08:14")
    expect(page.locator("#life-part")).to_contain_text("check them against the standard")

    page.goto(page.url.replace("P2/slot/T2", "P1/slot/F07"))
    expect(page.locator("#sheet")).to_be_visible()
    expect(page.locator("#tray-part")).to_be_hidden()
    expect(page.locator("#life-part")).to_be_hidden()
