"""A question: a refill was seen that nobody reported, and a person says what it was."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import Locator, Page, expect

from tests.support.floor import Floor

OpenPage = Callable[..., Page]
PLACES = ["/", "/notice/q-L3-P2-F31", "/line/L3/station/P2/slot/F31"]


def question(page: Page) -> Locator:
    return page.locator("#notice-q-L3-P2-F31")


def press(scope: Page | Locator, name: str) -> None:
    scope.get_by_role("button", name=name, exact=True).click()


@pytest.fixture
def asked(floor: Floor) -> Floor:
    floor.ask("P2", "F31")
    return floor


def test_a_question_is_calm_and_stands_below_what_runs_empty(asked: Floor, open_page: OpenPage) -> None:
    page = open_page()
    expect(question(page)).to_contain_text("How many parts were loaded?")
    expect(question(page).locator(".level")).to_have_text("Question")
    warnings = page.locator("#notices").bounding_box()
    below = question(page).bounding_box()
    assert warnings is not None
    assert below is not None
    assert below["y"] >= warnings["y"] + warnings["height"]
    calm = page.evaluate("getComputedStyle(document.querySelector('.way')).fill")
    level = question(page).locator(".level")
    assert level.evaluate("(element) => getComputedStyle(element).backgroundColor") == calm
    assert page.title().startswith("(2) ")


def test_it_offers_answers_and_no_taking_and_no_quiet(asked: Floor, open_page: OpenPage) -> None:
    expect(question(open_page()).get_by_role("button")).to_have_text(
        ["That's right", "Another quantity", "I counted what is left", "Close…"]
    )


@pytest.mark.parametrize("path", PLACES)
def test_that_is_right_is_one_tap(asked: Floor, open_page: OpenPage, path: str) -> None:
    page = open_page(path, name="Mira")
    press(question(page), "That's right")
    expect(page.locator("#notice-q-L3-P2-F31").get_by_role("button")).to_have_count(0)
    assert [body for body, _ in asked.heard] == ['{"change":"loaded","by":"Mira"}']
    assert asked.notes["q-L3-P2-F31"].state == "closed"


def test_without_an_assumed_quantity_there_is_nothing_to_agree_with(
    floor: Floor, open_page: OpenPage
) -> None:
    floor.ask("P1", "F12")
    card = open_page().locator("#notice-q-L3-P1-F12")
    expect(card.get_by_role("button")).to_have_text(["Another quantity", "I counted what is left", "Close…"])


def test_another_quantity_is_asked_for_and_told(asked: Floor, open_page: OpenPage) -> None:
    page = open_page(name="Mira")
    press(question(page), "Another quantity")
    page.get_by_role("textbox", name="Parts").fill("4000")
    press(page, "That many")
    expect(question(page)).to_have_count(0)
    assert asked.heard[0][0] == '{"change":"loaded","quantity":4000,"by":"Mira"}'


def test_what_was_counted_is_told(asked: Floor, open_page: OpenPage) -> None:
    page = open_page(name="Mira")
    press(question(page), "I counted what is left")
    page.get_by_role("textbox", name="Parts").fill("75")
    press(page, "That many")
    expect(question(page)).to_have_count(0)
    assert asked.heard[0][0] == '{"change":"counted","quantity":75,"by":"Mira"}'


def test_thinking_better_of_it_sends_nothing(asked: Floor, open_page: OpenPage) -> None:
    page = open_page(name="Mira")
    press(question(page), "Another quantity")
    press(page, "Not now")
    expect(question(page)).to_be_visible()
    assert asked.heard == []


def test_a_question_may_be_closed(asked: Floor, open_page: OpenPage) -> None:
    page = open_page(name="Mira")
    press(question(page), "Close…")
    press(page, "Close it")
    expect(question(page)).to_have_count(0)
    assert asked.notes["q-L3-P2-F31"].state == "closed"


def test_a_question_that_comes_is_announced(floor: Floor, open_page: OpenPage) -> None:
    page = open_page()
    floor.ask("P2", "F31")
    expect(page.locator("#announce")).to_contain_text("Question: L3 P2 F31 was refilled")


def test_with_questions_alone_nothing_needs_anyone(floor: Floor, open_page: OpenPage) -> None:
    for notice_id in list(floor.notes):
        floor.close(notice_id, by="Mira", reason="done")
    floor.ask("P2", "F31")
    page = open_page()
    expect(page.locator("#calm")).to_contain_text("Nothing. Next is P2 T2")
    expect(question(page)).to_be_visible()
    assert not page.title().startswith("(")
