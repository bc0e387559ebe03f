"""What a person does on the page: each press is one change that everybody sees."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import Locator, Page, expect

from service.web.stream import Hub
from tests.support.floor import Floor

OpenPage = Callable[..., Page]


def card(page: Page, notice_id: str = "n-L3-P2-T2") -> Locator:
    return page.locator(f"#notice-{notice_id}")


def press(scope: Page | Locator, name: str) -> None:
    scope.get_by_role("button", name=name, exact=True).click()


def test_the_worst_notice_is_on_top_with_all_a_person_needs(open_page: OpenPage) -> None:
    page = open_page()
    first = page.locator(".notice").first
    text = first.inner_text()
    for words in (
        "Urgent",
        "T2",
        "P2 · line L3",
        "RF-SHIELD-22",
        "panels left",
        "about 07:14",
        "a tray of RF-SHIELD-22",
    ):
        assert words in text
    assert "at a panel boundary only" in text
    assert "now, as the machine's manual allows" in page.locator(".notice").nth(1).inner_text()
    assert page.title().startswith("(2) ")


def test_taking_asks_for_a_name_once_and_shows_it_to_everybody(floor: Floor, open_page: OpenPage) -> None:
    mine, theirs = open_page(), open_page()
    press(card(mine), "I'm on it")
    mine.get_by_label("Name or badge").fill("Mira")
    press(mine, "That's me")
    for page in (mine, theirs):
        expect(card(page).locator(".status")).to_have_text("Mira is on it")
    assert floor.notes["n-L3-P2-T2"].taken_by == "Mira"
    press(card(mine, "n-L3-P1-F07"), "I'm on it")
    expect(card(mine, "n-L3-P1-F07").locator(".status")).to_have_text("Mira is on it")
    expect(mine.locator("#you")).to_contain_text("You are Mira.")


def test_the_name_is_still_known_after_a_reload(open_page: OpenPage) -> None:
    page = open_page()
    press(page, "Say who you are")
    page.get_by_label("Name or badge").fill("Mira")
    page.keyboard.press("Enter")
    expect(page.locator("#you")).to_contain_text("You are Mira.")
    page.reload()
    expect(page.locator("#you")).to_contain_text("You are Mira.")


def test_who_was_first_is_told_to_who_was_second(floor: Floor, open_page: OpenPage) -> None:
    page = open_page(name="Tomas")
    floor.hub = Hub()  # what happens now doesn't reach the page
    floor.take("n-L3-P2-T2", by="Mira")
    press(card(page), "I'm on it")
    expect(card(page).locator(".said")).to_have_text("Mira was first, at 07:14.")
    expect(card(page).locator(".status")).to_have_text("Mira is on it")


def test_quiet_says_for_how_long(floor: Floor, open_page: OpenPage) -> None:
    page = open_page(name="Mira")
    press(card(page), "Quiet 5 panels")
    expect(card(page).locator(".status")).to_have_text("Quiet for 5 panels, unless it gets worse")
    assert floor.notes["n-L3-P2-T2"].quiet_panels == 5


def test_a_new_supply_is_asked_about_once_with_the_caution_in_view(floor: Floor, open_page: OpenPage) -> None:
    page = open_page(name="Mira")
    press(card(page), "Loaded a new one")
    dialog = page.locator("dialog")
    expect(dialog).to_contain_text("A new tray is in P2 T2?")
    expect(dialog).to_contain_text("Never use the emergency stop for a refill.")
    press(dialog, "Not yet")
    expect(dialog).to_have_count(0)
    assert floor.heard == []
    press(card(page), "Loaded a new one")
    press(dialog, "Yes, it is loaded")
    expect(card(page)).to_have_count(0)
    ((body, key),) = floor.heard
    assert body == '{"change":"loaded","by":"Mira"}'
    assert key


def test_the_number_of_parts_may_be_said_and_must_be_a_number(floor: Floor, open_page: OpenPage) -> None:
    page = open_page(name="Mira")
    press(card(page, "n-L3-P1-F07"), "Loaded a new one")
    page.get_by_label("How many parts are in it?").fill("many")
    press(page, "Yes, it is loaded")
    expect(page.locator("dialog")).to_be_visible()
    page.get_by_label("How many parts are in it?").fill("5000")
    press(page, "Yes, it is loaded")
    expect(page.locator(".rows li").filter(has_text="R-10K-0402").locator(".panels")).to_have_text(
        "277 panels"
    )
    assert floor.place("P1", "F07").left == 5000


def test_closing_asks_why_and_the_card_is_gone(floor: Floor, open_page: OpenPage) -> None:
    page = open_page(name="Mira")
    press(card(page), "Close…")
    page.get_by_label("The warning was wrong").check()
    page.get_by_label("In your words").fill("sensor dirty")
    press(page, "Close it")
    expect(card(page)).to_have_count(0)
    assert floor.asked[-1] == ("close", "n-L3-P2-T2", "Mira", "The warning was wrong: sensor dirty")
    assert page.evaluate("document.activeElement.id") == "needs-title"


def test_the_caution_stands_by_the_buttons(open_page: OpenPage) -> None:
    for path in ("/", "/notice/n-L3-P2-T2"):
        caution = open_page(path).locator("main .caution").inner_text()
        for words in ("manual", "trained", "panel boundary", "emergency stop", "guards"):
            assert words in caution
        assert "This page stops no machine" in open_page(path).locator("footer").inner_text()


def test_opening_the_link_of_a_notice_changes_nothing(floor: Floor, open_page: OpenPage) -> None:
    page = open_page("/notice/n-L3-P2-T2", name="Mira")
    expect(card(page)).to_be_visible()
    assert floor.notes["n-L3-P2-T2"].version == 1
    press(card(page), "I'm on it")
    expect(card(page).locator(".status")).to_have_text("Mira is on it")


def test_a_closed_notice_still_has_its_page_and_no_buttons(floor: Floor, open_page: OpenPage) -> None:
    floor.close("n-L3-P2-T2", by="Mira", reason="done")
    page = open_page("/notice/n-L3-P2-T2")
    expect(card(page).locator(".status")).to_have_text("Closed by Mira: done")
    expect(card(page).get_by_role("button")).to_have_count(0)


def test_what_cannot_be_stored_just_now_is_tried_again(floor: Floor, open_page: OpenPage) -> None:
    page = open_page(name="Mira")
    answers: list[int] = []
    page.on("response", lambda response: answers.append(response.status) if "/take" in response.url else None)
    page.route("**/take", lambda route: route.fulfill(status=503, json={"detail": "later"}), times=1)
    press(card(page), "I'm on it")
    expect(card(page).locator(".status")).to_have_text("Mira is on it")
    assert answers == [503, 200]


def test_without_a_connection_a_press_says_so(open_page: OpenPage) -> None:
    page = open_page(name="Mira")
    page.route("**/take", lambda route: route.abort())
    press(card(page), "I'm on it")
    expect(card(page).locator(".said")).to_contain_text("No connection")


def test_a_worse_notice_is_announced_and_counted_in_the_title(floor: Floor, open_page: OpenPage) -> None:
    page = open_page()
    assert page.locator("#announce").inner_text() == ""
    floor.warn("P1", "F11", level="early")
    expect(page.locator("#announce")).to_have_text("Early: P1 F11, D-SIG-0603, 24 panels left")
    expect(page.locator("#announce")).to_have_attribute("aria-live", "polite")
    assert page.title().startswith("(3) ")


@pytest.mark.parametrize("width", [360, 1440])
def test_everything_works_from_the_keyboard(floor: Floor, open_page: OpenPage, width: int) -> None:
    page = open_page(width=width)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to what needs someone"
    button = card(page).get_by_role("button", name="I'm on it")
    button.focus()
    page.keyboard.press("Enter")
    expect(page.get_by_label("Name or badge")).to_be_focused()
    page.keyboard.press("Escape")
    expect(button).to_be_focused()
    expect(button).not_to_have_attribute("aria-busy", "true")
    page.keyboard.press("Enter")
    expect(page.get_by_label("Name or badge")).to_be_focused()
    page.keyboard.type("Mira")
    page.keyboard.press("Enter")
    expect(card(page).locator(".status")).to_have_text("Mira is on it")
    assert floor.notes["n-L3-P2-T2"].taken_by == "Mira"
