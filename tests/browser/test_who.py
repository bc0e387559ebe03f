"""The page on which people ask who would hear of something."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page

from service.domain.policy import Day, Duty, Person, Policy, Route
from tests.browser.test_looks import refuse_what_looks_wrong
from tests.support.floor import Floor

WEEKDAYS: tuple[Day, ...] = ("mon", "tue", "wed", "thu", "fri")


@pytest.fixture
def page(site: tuple[str, Floor], floor: Floor, new_context: Callable[..., Any]) -> Page:
    floor.policy = Policy(
        outlets=["ines-chat", "bert-chat"],
        people=(Person(name="Ines Quill", outlets=["ines-chat"]), Person(name="Bert", outlets=["bert-chat"])),
        duties=(Duty(roster="feeders", people=["Ines Quill"], days=WEEKDAYS, start="06:00", end="14:00"),),
        routes=[
            Route(
                people=["feeders"],
                hours="06:00-22:00",
                escalate_to=["Bert"],
                escalate_minutes=4.0,
                remind_panels=3,
            )
        ],
    )
    page: Page = new_context(timezone_id="UTC").new_page()
    page.on("pageerror", lambda error: pytest.fail(f"the page failed: {error}"))
    page.goto(site[0] + "/who")
    return page


def ask(page: Page, at: str) -> str:
    page.get_by_label("Line").fill("L3")
    page.get_by_label("When").fill(at)
    with page.expect_response("**/who/week?*"):
        page.get_by_role("button", name="Ask").click()
    page.wait_for_selector("#spans li")
    return page.locator("#answer").inner_text()


def test_a_person_asks_and_sees_who_hears_at_once_later_and_over_the_week(page: Page) -> None:
    said = ask(page, "2026-03-02T10:00")
    assert "At once Ines Quill (ines-chat)" in said
    assert "After 4 minutes Bert (bert-chat)" in said
    assert "every 3 panels" in said
    rows = page.locator("#spans li").all_inner_texts()
    assert any("Ines Quill" in row for row in rows)
    assert page.locator("#spans li.gap").first.inner_text().endswith("nobody")
    refuse_what_looks_wrong(page)


def test_where_nobody_hears_the_page_says_so(page: Page) -> None:
    assert "Nobody hears of this." in ask(page, "2026-03-02T23:00")
