"""The page of the running program in a real browser: its numbers are the API's, and a person acts there."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, expect

from tests.support.chromium import chromium
from tests.support.factory import Factory


@pytest.fixture
def browser(factory: Factory) -> Iterator[Browser]:
    # After the factory: Playwright keeps an event loop in this thread, where the mail receiver wants its own.
    with chromium() as browser:
        yield browser


def test_the_page_shows_the_numbers_of_the_api_and_a_person_takes_there(
    factory: Factory, browser: Browser
) -> None:
    factory.gateway.send("L3/P1/recipe", recipe="r", usage={"T2": 1})
    factory.gateway.send("L3/P1/count", session="a", seq=1, panels=0, slots={"T2": {"placed": 0, "lost": 0}})
    factory.gateway.send(
        "L3/P1/supply", id="1", slot="T2", change="loaded", kind="tray", part="MCU-48Q", quantity=60
    )
    factory.gateway.send(
        "L3/P1/count", session="a", seq=2, panels=51, slots={"T2": {"placed": 51, "lost": 0}}
    )
    shown = factory.until_counted("L3", "T2", seq=2)
    p50 = shown["panels_to_empty"]["p50"]
    with browser.new_context(viewport={"width": 360, "height": 780}) as context:
        page = context.new_page()
        page.goto(factory.url)
        row = page.locator(".rows li").filter(has=page.locator(".name b", has_text="T2"))
        expect(row.locator(".panels")).to_have_text(f"{p50} panels")

        factory.gateway.send(
            "L3/P1/count", session="a", seq=3, panels=53, slots={"T2": {"placed": 53, "lost": 0}}
        )
        expect(row.locator(".panels")).to_have_text(f"{p50 - 2} panels")

        page.get_by_role("button", name="I'm on it").click()
        page.get_by_label("name").fill("Resi")
        page.keyboard.press("Enter")
        factory.until(
            lambda: [notice["taken_by"] for notice in factory.get("/notices")] == ["Resi"], "nobody took it"
        )
        expect(page.get_by_text("Resi is on it").or_(page.get_by_text("You are on it")).first).to_be_visible()
