"""The page of the track record: one plain sentence, figures for each kind of supply, what was learned."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import Page

from service.domain.model import Notice, to_rfc3339
from tests.browser.test_looks import OpenPage, refuse_what_looks_wrong
from tests.support.floor import START, Floor
from tests.support.hostile import HOSTILE
from tests.support.past import LEARNED, remembered

BROKEN = Notice(
    id="p-tape",
    kind="promise",
    line=None,
    station=None,
    slot=None,
    part=None,
    supply_kind=None,
    boundary_only=False,
    level="urgent",
    state="open",
    opened_at=to_rfc3339(START),
    changed_at=to_rfc3339(START),
    panels_to_empty=None,
    empty_at=None,
    message="Reels: 14 of the last 60 warnings came with fewer panels than asked; at most 6 are expected.",
    about="tape",
)


@pytest.fixture
def open_record(site: tuple[str, Floor], new_page: OpenPage) -> OpenPage:
    def open_(**options: Any) -> Page:
        page = new_page(site[0], **options)
        page.on("pageerror", lambda error: pytest.fail(f"the page failed: {error}"))
        page.goto(site[0] + "/record")
        page.wait_for_selector("body[data-shown]")
        return page

    return open_


def broken(floor: Floor) -> None:
    """Much to show: a promise that isn't kept, and names that are far too long."""
    floor.records = remembered(late=60)
    floor.tell(BROKEN)
    floor.taught = [*LEARNED, {**LEARNED[2], "part": "P" * 256}]


def fresh(floor: Floor) -> None:
    floor.records, floor.taught = [], []


@pytest.fixture(params=[broken, fresh], ids=lambda make: make.__name__)
def view(request: pytest.FixtureRequest, floor: Floor, open_record: OpenPage) -> Page:
    request.param(floor)
    page = open_record()
    page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    return page


def test_everything_fits_is_whole_and_large_enough_for_a_glove_and_axe_core_finds_nothing(view: Page) -> None:
    refuse_what_looks_wrong(view)


def test_one_sentence_says_what_was_asked_and_how_many_warnings_had_it(
    floor: Floor, open_record: OpenPage
) -> None:
    floor.records = remembered()
    page = open_record()
    assert page.locator("#promise").inner_text() == (
        "Asked: 10 panels before empty. 207 of 218 warnings had them; at most 22 may come late."
    )
    rows = [row.inner_text().split("\n") for row in page.locator("#kinds tbody tr").all()]
    assert [row[0] for row in rows] == ["Reels", "Trays", "Kind not said"]
    assert "185 of 194" in rows[0]
    assert "9 (at most 19 expected)" in rows[0]


def test_the_bars_of_the_tenths_say_what_the_figures_beneath_say(floor: Floor, open_record: OpenPage) -> None:
    floor.records = remembered()
    page = open_record()
    page.get_by_text("The same in figures").click()
    figures = [int(each) for each in page.locator(".tenths-list b").all_inner_texts()]
    heights = [
        float((bar.get_attribute("height") or "").rstrip("%")) for bar in page.locator(".tenths rect").all()
    ]
    assert len(figures) == len(heights) == 10
    assert sum(figures) == 144
    assert heights == pytest.approx([100 * each / max(figures) for each in figures], abs=0.01)


def test_late_ones_name_time_and_slot_and_lead_to_its_page(floor: Floor, open_record: OpenPage) -> None:
    floor.records = remembered()
    page = open_record()
    late = page.locator("#late a")
    assert "4 panels instead of 10" in late.first.inner_text()
    assert "empty without a warning" in late.last.inner_text()
    late.first.click()
    page.wait_for_url("**/line/L3/station/P1/slot/F07")


def test_what_was_learned_stands_by_kind_and_part(floor: Floor, open_record: OpenPage) -> None:
    page = open_record(width=1440)
    rows = page.locator("#learned tbody tr").all_inner_texts()
    assert [row.split("\t")[0] for row in rows] == ["Reels", "Trays", "R-10K-0402 reels"]
    assert "as declared, 200 ends: −4 (−19 to +8)" in rows[0]
    assert "4.2 (0.4 to 13.1)" in rows[0]
    assert "taken at its word" in rows[1]


def test_a_promise_that_is_not_kept_shows_beside_its_kind_and_leads_here(
    floor: Floor, open_record: OpenPage, open_page: OpenPage
) -> None:
    broken(floor)
    alarm = open_record().locator("#kinds .broken")
    assert alarm.inner_text() == "more than chance explains"
    assert alarm.get_attribute("href") == "/notice/p-tape"
    page = open_page("/notice/p-tape")
    page.get_by_role("link", name="The warnings").click()
    page.wait_for_selector("body[data-shown]")


def test_the_first_page_leads_to_it(open_page: OpenPage) -> None:
    page = open_page()
    page.get_by_role("link", name="Do warnings come in time?").click()
    page.wait_for_selector("body[data-shown]")


def test_a_part_that_carries_markup_is_text(floor: Floor, open_record: OpenPage) -> None:
    floor.taught = [{**LEARNED[2], "part": text} for text in HOSTILE.values()]
    page = open_record()
    assert page.locator("#learned tbody tr").count() == len(HOSTILE)
    assert page.locator("#learned script, #learned img, #learned b").count() == 0


def test_while_the_service_fails_the_page_says_so(
    site: tuple[str, Floor], floor: Floor, new_page: OpenPage
) -> None:
    floor.broken = ConnectionError("the store is away")
    page = new_page(site[0])
    page.goto(site[0] + "/record")
    page.wait_for_selector("#promise:not(:text('Asking'))")
    assert page.locator("#promise").inner_text() != ""
