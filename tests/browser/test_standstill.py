"""Why a line stood: found by the clock, on a phone, large enough for a glove, with the stops around it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import expect

from service.web.stream import Hub
from tests.browser.test_looks import OpenPage, refuse_what_looks_wrong
from tests.support.floor import plant, served
from tests.support.stood import Reviewed


@pytest.fixture
def address() -> Iterator[str]:
    hub = Hub()
    app, _ = plant(hub, reviews=Reviewed())
    with served(app, hub) as address:
        yield address


def test_a_moment_is_asked_for_and_answered_on_a_phone(address: str, new_page: OpenPage) -> None:
    page = new_page(address)
    page.goto(f"{address}/standstill")
    page.locator("select[name=line]").select_option("L3")
    page.locator("input[name=at]").fill("10:43")
    page.locator("input[name=day]").fill("2026-02-27")
    page.get_by_role("button", name="Show").click()
    expect(page.locator(".headline")).to_have_text(
        "Line L3 stood from 10:42:00 to 10:47:00, 5 min: supply out."
    )
    picture = page.locator(".around .pic-box").first
    assert picture.evaluate("box => box.scrollLeft") > 0, "the moment itself is shown first"
    picture.evaluate("box => box.scrollLeft = 0")
    refuse_what_looks_wrong(page)
    page.get_by_role("link", name="Before: P1, fault, 10:20:00").click()
    expect(page.locator(".headline")).to_have_text("Line L3 worked at 10:20:00, while P1 stood: fault.")
