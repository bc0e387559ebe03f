"""The page of a review: asked for, awaited, shown, on a phone as on a screen."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Page, expect

from service.web.stream import Hub
from tests.browser.test_looks import OpenPage, refuse_what_looks_wrong
from tests.support.floor import plant, served
from tests.support.reports import Ready, made_report


@pytest.fixture
def address() -> Iterator[str]:
    """A plant whose reviews take until they were asked for a second time."""
    hub = Hub()
    app, _ = plant(hub, reviews=Ready(after=1))
    with served(app, hub) as address:
        yield address


def test_a_review_is_awaited_and_shown_by_itself(address: str, new_page: OpenPage) -> None:
    page: Page = new_page(address, width=360)
    page.on("pageerror", lambda error: pytest.fail(f"the page failed: {error}"))
    page.goto(address + "/review")
    expect(page.get_by_role("heading", name="Review")).to_be_visible()
    page.get_by_role("button", name="Review it").click()
    expect(page.locator("#progress")).to_contain_text("It is being put together")
    expect(page.get_by_role("heading", name="In short")).to_be_visible(timeout=20_000)
    expect(page.get_by_text(made_report()["summary"][0]["message"])).to_be_visible()
    expect(page.get_by_role("link", name="PDF")).to_be_visible()
    refuse_what_looks_wrong(page)
