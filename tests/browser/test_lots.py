"""The page on which people ask which lot fed which panels."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests.browser.test_looks import refuse_what_looks_wrong
from tests.support.floor import Floor


@pytest.fixture
def page(site: tuple[str, Floor], new_context: Callable[..., Any]) -> Page:
    page: Page = new_context(timezone_id="UTC").new_page()
    page.on("pageerror", lambda error: pytest.fail(f"the page failed: {error}"))
    page.goto(site[0] + "/lots")
    return page


def test_a_lot_is_searched_then_one_panel_of_an_order_and_the_way_back(page: Page) -> None:
    search = page.get_by_label("Lot, part, supply or order")
    search.fill("A77")
    search.press("Enter")
    orders = page.locator("#orders li")
    expect(orders).to_have_count(3)
    assert "surely panels 1–30, 40–50, perhaps panels 31, 39" in orders.nth(1).inner_text()
    there = page.locator("#stays li.stay").nth(1).inner_text()
    assert "reel U-4711" in there
    assert "05:10 to 05:40" in there
    assert "loaded by Mira" in there
    refuse_what_looks_wrong(page)
    search.fill("8841")
    page.get_by_label("Only this panel").fill("26")
    page.get_by_label("Only this panel").press("Enter")
    expect(page.get_by_role("heading", name="In panel 26 of order 8841")).to_be_visible()
    assert [row.split("\n")[0] for row in page.locator("#stays .head").all_inner_texts()][:3] == [
        "lot A77", "lot A75", "lot C30"
    ]  # fmt: skip
    assert "panel=26" in str(page.locator("#sheet").get_attribute("href"))
    refuse_what_looks_wrong(page)
    page.go_back()
    expect(page.get_by_role("heading", name="Panels with A77")).to_be_visible()
    search.fill("A99")
    search.press("Enter")
    expect(page.locator("#said")).to_have_text("Nothing is known of A99.")


def test_the_page_of_a_slot_says_what_fed_it_and_leads_to_the_rest(
    page: Page, site: tuple[str, Floor]
) -> None:
    page.goto(site[0] + "/line/L3/station/P1/slot/F07")
    expect(page.locator("#fed li.stay")).to_have_count(3)
    assert page.locator("#fed .head").all_inner_texts() == ["lot A77", "lot not known", "lot A77"]
    page.get_by_role("link", name="All that was here").click()
    expect(page.get_by_role("heading", name="What fed L3 P1 F07")).to_be_visible()
    expect(page.locator("#stays li.stay")).to_have_count(4)
