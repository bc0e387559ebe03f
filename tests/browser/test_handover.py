"""The handover and the history: they fit a phone and a sheet of paper, speak to every sense, and say how old
they are."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import msgspec
import pytest
from playwright.sync_api import Page, expect

from service.domain.model import SECOND, to_rfc3339
from tests.browser.test_looks import OpenPage, make_busy, refuse_what_looks_wrong
from tests.support.floor import START, Floor


@pytest.fixture
def open_still(site: tuple[str, Floor], new_page: OpenPage, new_context: Callable[..., Any]) -> OpenPage:
    """``open_still("/handover")``: a page that isn't live."""

    def open_(path: str, *, clock: bool = False, **options: Any) -> Page:
        page: Page = new_context(**options).new_page() if clock else new_page(site[0], **options)
        page.on("pageerror", lambda error: pytest.fail(f"the page failed: {error}"))
        if clock:
            page.clock.install()
        page.goto(site[0] + path)
        page.wait_for_selector("#tools:not([hidden]), #said:not(:empty)")
        return page

    return open_


def make_past(floor: Floor, number: int) -> None:
    """So many that are over, a quarter of an hour apart, the newest first opened at the start."""
    one = floor.notes["n-L3-P1-F07"]
    for each in range(number):
        opened = START - each * 900 * SECOND
        floor.tell(
            msgspec.structs.replace(
                one,
                id=f"h{each:03}",
                state="closed",
                opened_at=to_rfc3339(opened),
                closed_at=to_rfc3339(opened + 420 * SECOND),
                closed_because="refilled",
                taken_by="Mira" if each % 2 else None,
            )
        )


@pytest.mark.parametrize("path", ["/handover", "/handover?line=L3&hours=8", "/history"])
def test_it_fits_and_is_large_enough_for_a_glove(floor: Floor, open_still: OpenPage, path: str) -> None:
    make_busy(floor)
    make_past(floor, 3)
    page = open_still(path)
    refuse_what_looks_wrong(page)


def test_the_first_page_leads_to_both(floor: Floor, open_page: OpenPage) -> None:
    page = open_page()
    page.get_by_role("button", name="Pages").click()
    page.get_by_role("link", name="Handover").click()
    expect(page.get_by_role("heading", name="Handover, all lines")).to_be_visible()
    page.get_by_role("button", name="Pages").press("Enter")
    page.get_by_role("link", name="History").press("Enter")
    expect(page.get_by_role("heading", name="What is over")).to_be_visible()


def test_a_handover_fits_on_one_sheet_without_what_cannot_be_pressed_there(
    floor: Floor, open_still: OpenPage
) -> None:
    floor.take("n-L3-P1-F07", by="Mira")
    page = open_still("/handover")
    page.emulate_media(media="print")
    for hidden in (".choose", "#tools", ".places", ".hall", ".tongue"):
        expect(page.locator(hidden)).to_be_hidden()
    paper = page.pdf(prefer_css_page_size=True)
    assert paper.count(b"/Type /Page\n") + paper.count(b"/Type /Page ") == 1


def test_it_is_copied_as_text(floor: Floor, open_still: OpenPage) -> None:
    page = open_still("/handover?line=L3")
    page.context.grant_permissions(["clipboard-read", "clipboard-write"])
    page.get_by_role("button", name="Copy as text").click()
    expect(page.locator("#said")).to_have_text("Copied: paste it where you write.")
    copied = page.evaluate("navigator.clipboard.readText()")
    assert copied.startswith("Handover, line L3\nAs of 07:14, 2026-03-02.")
    assert "- P2 T2: RF-SHIELD-22 · 2 panels left · about 07:14" in copied


def test_where_the_browser_lends_no_clipboard_the_text_is_offered(open_still: OpenPage) -> None:
    page = open_still("/handover")
    page.evaluate("Object.defineProperty(navigator, 'clipboard', { value: undefined })")
    page.get_by_role("button", name="Copy as text").click()
    expect(page.get_by_label("The handover as text")).to_be_focused()
    assert page.evaluate("getSelection().toString() || document.activeElement.value").startswith("Handover")


def test_without_a_connection_nothing_is_copied_and_it_says_so(open_still: OpenPage) -> None:
    page = open_still("/handover")
    page.route("**/api/**", lambda route: route.abort())
    page.get_by_role("button", name="Copy as text").click()
    expect(page.locator("#said")).to_have_text("No connection: nothing was copied.")


def test_a_handover_that_stands_open_says_how_old_it_is(open_still: OpenPage) -> None:
    page = open_still("/handover", clock=True)
    expect(page.locator("#old")).to_be_hidden()
    page.clock.fast_forward(300_000)
    expect(page.locator("#old")).to_have_text("This was true 5 min ago. Show it as it is now.")


def test_history_comes_in_pages_and_the_focus_goes_to_the_first_new_one(
    floor: Floor, open_still: OpenPage
) -> None:
    make_past(floor, 60)
    page = open_still("/history", width=1440)
    rows = page.locator(".past li")
    expect(rows).to_have_count(50)
    first = rows.first.inner_text().replace("\n", " ")
    for words in ("P1 F07", "Early", "line L3", "R-10K-0402", "07:14 to 07:21 (7 min)", "Closed: refilled"):
        assert words in first
    assert "Mira was on it" in rows.nth(1).inner_text()
    assert page.locator("h3").all_inner_texts() == ["Monday, 2 March 2026", "Sunday, 1 March 2026"]
    page.get_by_role("button", name="Show older ones").press("Enter")
    expect(rows).to_have_count(60)
    expect(rows.nth(50).get_by_role("link")).to_be_focused()
    expect(page.locator("#said")).to_have_text("60 are shown. That is all.")
    page.keyboard.press("Enter")
    page.wait_for_url("**/line/L3/station/P1/slot/F07")


def test_with_nothing_over_history_says_so(open_still: OpenPage) -> None:
    expect(open_still("/history").locator("#calm")).to_have_text(
        "Nothing is over yet, as far as is remembered."
    )


def test_when_the_past_cannot_be_fetched_history_says_so_and_asks_again(
    floor: Floor, site: tuple[str, Floor], new_page: OpenPage
) -> None:
    make_past(floor, 2)
    page = new_page(site[0])
    page.route("**/api/v1/notices*", lambda route: route.abort(), times=1)
    page.goto(site[0] + "/history")
    expect(page.locator("#said")).to_contain_text("No connection")
    expect(page.locator("#calm")).to_have_text("")
    page.get_by_role("button", name="Show older ones").click()
    expect(page.locator(".past li")).to_have_count(2)
