"""The page of the message budget: who gets how many messages, and what is said too often."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import Page

from service.domain.model import SECOND
from tests.browser.test_looks import OpenPage, refuse_what_does_not_fit, refuse_what_looks_wrong
from tests.support.floor import START, Floor
from tests.support.hostile import HOSTILE
from tests.support.sent import busy_day, row


@pytest.fixture
def open_budget(site: tuple[str, Floor], new_page: OpenPage) -> OpenPage:
    def open_(**options: Any) -> Page:
        page = new_page(site[0], **options)
        page.on("pageerror", lambda error: pytest.fail(f"the page failed: {error}"))
        page.goto(site[0] + "/budget")
        page.wait_for_selector("body[data-shown]")
        return page

    return open_


@pytest.fixture
def busy(floor: Floor) -> Floor:
    told = busy_day(START)
    floor.sent.rows, floor.sent.notices = told.rows, told.notices
    return floor


@pytest.mark.usefixtures("busy")
def test_a_busy_day_fits_a_phone_and_axe_core_finds_nothing(open_budget: OpenPage) -> None:
    page = open_budget()
    page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    refuse_what_looks_wrong(page)


def test_where_nothing_was_said_the_page_says_so(open_budget: OpenPage) -> None:
    page = open_budget(width=1440)
    assert page.locator("#promise").inner_text() == (
        "Nobody gets more than people can follow: at most 0 messages an hour on average."
    )
    assert page.locator(".person .verdict").all_inner_texts() == ["No message in this time."] * 3
    assert page.locator("#none-frequent, #none-wrong").count() == 2
    refuse_what_does_not_fit(page)


@pytest.mark.usefixtures("busy")
def test_a_flood_is_told_in_words_and_marked_among_the_hours(open_budget: OpenPage) -> None:
    page = open_budget()
    assert page.locator("#promise").inner_text() == "No average is too much, but there were floods: Mira."
    mira = page.locator(".person", has=page.get_by_role("heading", name="Mira"))
    assert "77 messages" in mira.locator(".verdict").inner_text()
    assert "manageable" in mira.locator(".verdict").inner_text()
    assert "A flood from" in mira.locator(".floods").inner_text()
    assert mira.locator(".hours .flood").count() == 1
    most = mira.locator(".measures > div", has_text="Most in ten minutes")
    assert "over" in (most.get_attribute("class") or "")
    assert "14" in most.inner_text()


@pytest.mark.usefixtures("busy")
def test_the_bars_say_what_the_figures_beneath_say(open_budget: OpenPage) -> None:
    page = open_budget()
    mira = page.locator(".person").first
    mira.get_by_text("The same in figures").click()
    figures = [int(each) for each in mira.locator(".by-hour b").all_inner_texts()]
    assert sum(figures) == 77
    drawn = [
        float((bar.get_attribute("height") or "").rstrip("%")) for bar in mira.locator(".hours .bar").all()
    ]
    heights = [each for each in drawn if each > 0]
    assert heights == pytest.approx([max(heights) * each / max(figures) for each in figures], abs=0.05)


@pytest.mark.usefixtures("busy")
def test_what_chatters_and_what_is_old_leads_to_its_page(open_budget: OpenPage) -> None:
    page = open_budget()
    assert "three times within a minute" in page.locator("#chattering").inner_text()
    page.locator("#stale a").click()
    page.wait_for_url("**/notice/n-L3-P2-T2")


def test_too_much_for_somebody_stands_first(floor: Floor, open_budget: OpenPage) -> None:
    floor.sent.rows = [row(START - number * 120 * SECOND - 1, "office") for number in range(60)]
    page = open_budget()
    assert page.locator("#promise").inner_text() == "Too much for office."
    assert page.locator(".person[data-verdict='too much']").count() == 1


@pytest.mark.parametrize("half", [slice(None, 10), slice(10, None)], ids=["some", "others"])
def test_a_name_that_carries_markup_is_text(floor: Floor, open_budget: OpenPage, half: slice) -> None:
    """Ten are shown at a time."""
    texts = list(HOSTILE.values())[half]
    assert len(texts) == 10
    floor.sent.rows = [row(START - 1, notice=f"n{number}", slot=text) for number, text in enumerate(texts)]
    page = open_budget()
    assert page.locator("#frequent li").count() == 10
    assert page.locator("#frequent script, #frequent img").count() == 0


def test_while_the_service_fails_the_page_says_so(
    site: tuple[str, Floor], floor: Floor, new_page: OpenPage
) -> None:
    floor.sent.broken = ConnectionError("the store is away")
    page = new_page(site[0])
    page.goto(site[0] + "/budget")
    page.wait_for_selector("#promise:not(:text('Asking'))")
    assert page.locator("#promise").inner_text() != ""
