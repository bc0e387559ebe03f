"""A report as one file, opened from a disk: nothing of it overflows, it is there for every sense, and its
road moves by keyboard."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from service.paper.document import document
from service.usecases.review import review
from simulators.scenario import load_scenario, shipped
from tests.browser.test_looks import refuse_what_looks_wrong
from tests.support.shifts import shift


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    report = review(shift(load_scenario(shipped()["demo"]), hours=1.0).lines)
    file = tmp_path_factory.mktemp("report") / "review.html"
    file.write_text(document(report), encoding="utf-8")
    return file


@pytest.fixture
def opened(file: Path, new_context: Callable[..., BrowserContext]) -> Page:
    page = new_context(width=360).new_page()
    page.on("pageerror", lambda error: pytest.fail(f"the report failed: {error}"))
    page.goto(file.as_uri())
    return page


def test_a_report_from_a_disk_fits_and_axe_core_finds_nothing(opened: Page) -> None:
    expect(opened.locator(".pic-moments input")).to_be_visible()
    assert opened.evaluate("performance.getEntriesByType('resource').length") == 0
    refuse_what_looks_wrong(opened)


def test_the_road_is_gone_through_by_keyboard_and_by_the_stops(opened: Page) -> None:
    slider, picture = opened.get_by_role("slider"), opened.locator(".pic-moments svg")
    slider.focus()
    said, shown = slider.get_attribute("aria-valuetext"), picture.inner_html()
    opened.keyboard.press("Home")
    assert slider.get_attribute("aria-valuetext") != said
    assert picture.inner_html() != shown
    first = slider.input_value()
    opened.keyboard.press("ArrowRight")
    assert (first, slider.input_value()) == ("0", "1")
    opened.get_by_role("button", name="Next supply out").click()
    expect(opened.locator(".pic-state")).to_contain_text("a supply is out")
    expect(picture.get_by_text("empty", exact=True).first).to_be_visible()


def test_without_script_the_last_moment_is_there(
    file: Path, new_context: Callable[..., BrowserContext]
) -> None:
    page = new_context(java_script_enabled=False).new_page()
    page.goto(file.as_uri())
    picture = page.get_by_role("img", name="The road ahead of line")
    expect(picture).to_be_visible()
    expect(page.get_by_role("slider")).to_have_count(0)
