"""Which notices a device shows: all, those of chosen lines, or mine; what others are on is calmer, what is
quiet is folded away."""

from __future__ import annotations

from collections.abc import Callable

import msgspec
import pytest
from playwright.sync_api import Locator, Page, expect

from tests.support.floor import Floor, Place

OpenPage = Callable[..., Page]


@pytest.fixture
def floor(floor: Floor) -> Floor:
    """Two on L3 that nobody is on, one on L4."""
    floor.places.append(Place(line="L4", station="P1", slot="F02", part="C-22P-0402", left=60, needed=20))
    floor.warn("P1", "F02", level="early", line="L4")
    return floor


def card(page: Page, notice_id: str = "n-L3-P2-T2") -> Locator:
    return page.locator(f"#notice-{notice_id}")


def choose(page: Page, whose: str) -> None:
    page.get_by_role("radio", name=whose).check(force=True)


def counts(page: Page) -> list[str]:
    return [text.replace("\n", " ") for text in page.locator(".whose label:visible").all_inner_texts()]


def test_all_are_shown_until_a_person_chooses(floor: Floor, open_page: OpenPage) -> None:
    page = open_page(name="Mira")
    expect(page.locator("#notices .notice")).to_have_count(3)
    assert counts(page) == ["All 3", "My lines 0", "Mine 0"]


def test_my_lines_are_asked_for_once_and_kept_on_the_device(floor: Floor, open_page: OpenPage) -> None:
    page = open_page(name="Mira")
    choose(page, "My lines")
    page.get_by_role("checkbox", name="L4").check()
    page.get_by_role("button", name="These are mine").click()
    expect(page.locator("#notices .notice")).to_have_count(1)
    expect(page.locator("#elsewhere")).to_have_text("2 more that nobody is on aren't shown.")
    page.reload()
    expect(card(page, "n-L4-P1-F02")).to_be_visible()
    expect(page.locator("#notices .notice")).to_have_count(1)
    expect(page.get_by_role("button", name="Lines: L4")).to_be_visible()


def test_mine_is_what_i_took_and_what_i_was_told(floor: Floor, open_page: OpenPage) -> None:
    floor.take("n-L3-P1-F07", by="mira ")
    floor.take("n-L4-P1-F02", by="Tomas")
    told = floor.notes["n-L3-P2-T2"]
    floor.tell(msgspec.structs.replace(told, hears=("Mira", "Tomas"), version=2))
    page = open_page(name="Mira")
    choose(page, "Mine")
    expect(page.locator("#notices .notice")).to_have_count(2)
    expect(card(page, "n-L4-P1-F02")).to_have_count(0)


def test_a_choice_never_hides_that_something_is_empty(floor: Floor, open_page: OpenPage) -> None:
    page = open_page(name="Nela")
    choose(page, "Mine")
    expect(page.locator("#calm")).to_have_text("Nothing is yours.")
    floor.warn("P2", "T2", level="empty")
    expect(page.locator("#elsewhere")).to_have_text("3 more that nobody is on aren't shown, 1 of them empty.")


def test_a_card_says_who_was_told_already(floor: Floor, open_page: OpenPage) -> None:
    told = floor.notes["n-L3-P2-T2"]
    floor.tell(msgspec.structs.replace(told, hears=("Mira", "Tomas"), reminded=2, version=2))
    page = open_page()
    expect(card(page).locator(".facts")).to_contain_text("Mira, Tomas; said again 2 times")
    expect(card(page, "n-L3-P1-F07").locator(".facts")).not_to_contain_text("Told")


def test_without_a_name_nothing_can_be_mine_and_the_page_says_so(open_page: OpenPage) -> None:
    page = open_page()
    choose(page, "Mine")
    expect(page.locator("#calm")).to_contain_text("Nobody has said who they are on this device")
    page.locator("#inbox").get_by_role("button", name="Say who you are").click()
    page.get_by_label("Name or badge").fill("Mira")
    page.keyboard.press("Enter")
    expect(page.locator("#calm")).to_have_text("Nothing is yours.")


def test_what_another_is_on_stands_last_and_asks_for_less(floor: Floor, open_page: OpenPage) -> None:
    floor.take("n-L3-P2-T2", by="Tomas")
    page = open_page(name="Mira")
    last = page.locator("#notices .notice").last
    expect(last.locator(".status")).to_have_text("Tomas is on it")
    expect(last).to_have_attribute("data-whose", "another")
    expect(last.locator(".facts")).to_be_hidden()
    expect(last.get_by_role("button", name="Give it back")).to_have_count(0)


def test_what_somebody_left_behind_can_be_freed_and_taken(floor: Floor, open_page: OpenPage) -> None:
    floor.take("n-L3-P2-T2", by="Tomas")
    page = open_page(name="Mira")
    card(page).get_by_role("button", name="Free it again").click()
    card(page).get_by_role("button", name="I'm on it").click()
    expect(card(page).locator(".status")).to_have_text("Mira is on it")


def test_what_i_took_by_a_link_is_mine(floor: Floor, open_page: OpenPage) -> None:
    floor.take("n-L3-P2-T2", by="Mira (link to shift-chat)")
    floor.take("n-L3-P1-F07", by="Miranda")
    page = open_page(name="Mira")
    choose(page, "Mine")
    expect(page.locator("#notices .notice")).to_have_count(1)
    expect(card(page)).to_have_attribute("data-whose", "open")


def test_what_i_took_i_can_give_back(floor: Floor, open_page: OpenPage) -> None:
    page = open_page(name="Mira")
    card(page).get_by_role("button", name="I'm on it").click()
    card(page).get_by_role("button", name="Give it back").click()
    expect(card(page).locator(".said")).to_have_text("Given back: it calls for somebody again.")
    assert floor.notes["n-L3-P2-T2"].taken_by is None


def test_what_is_quiet_is_folded_with_when_it_speaks_again(floor: Floor, open_page: OpenPage) -> None:
    page = open_page(name="Mira")
    card(page).get_by_role("button", name="Quiet 5 panels").click()
    folded = page.locator("#resting summary")
    # 5 panels of 24 s after 06:14:07 UTC, in Vienna
    expect(folded).to_have_text("1 is quiet. P2 T2 speaks again about 07:16.")
    expect(page.locator("#news")).to_have_text("P2 T2: Quiet for 5 panels, unless it gets worse.")
    expect(card(page)).to_be_hidden()
    folded.click()
    expect(card(page).locator(".status")).to_have_text("Quiet for 5 panels, unless it gets worse")
    worse = msgspec.structs.replace(floor.notes["n-L3-P2-T2"], level="empty", state="open", version=3)
    floor.tell(worse)
    expect(page.locator("#resting")).to_be_hidden()
    expect(card(page)).to_be_visible()


def test_a_press_that_comes_too_late_says_how_it_ended(floor: Floor, open_page: OpenPage) -> None:
    page = open_page(name="Tomas")
    page.route(
        "**/take", lambda route: (floor.close("n-L3-P2-T2", by="Mira", reason="done"), route.continue_())
    )
    card(page).get_by_role("button", name="I'm on it").click()
    expect(card(page)).to_have_count(0)
    expect(page.locator("#news")).to_have_text("P2 T2: Too late. Closed by Mira: done.")


def test_a_shift_goes_by_without_a_mouse(floor: Floor, open_page: OpenPage) -> None:
    """Change what is shown, take, quiet and close with keys alone; the focus is never lost."""
    page = open_page(name="Mira")
    press = page.keyboard.press

    def focused() -> str:
        return str(page.evaluate("document.activeElement.textContent || document.activeElement.value"))

    def tab_to(words: str, key: str = "Tab") -> None:
        for _ in range(40):
            press(key)
            if focused() == words:
                return
        raise AssertionError(f"{words} is never reached")

    tab_to("all")
    press("ArrowRight")
    expect(page.get_by_role("dialog")).to_be_visible()
    tab_to("Not now")
    press("Enter")
    expect(page.get_by_role("radio", name="My lines")).to_be_focused()
    press("ArrowLeft")
    expect(page.locator("#notices .notice")).to_have_count(3)
    tab_to("I'm on it")
    press("Enter")
    expect(card(page).locator(".status")).to_have_text("Mira is on it")
    expect(card(page).get_by_role("link", name="Exchange it")).to_be_focused()
    tab_to("Quiet 5 panels")
    press("Enter")
    expect(page.locator("#resting")).to_be_visible()
    assert page.evaluate("document.activeElement.id") == "needs-title"
    tab_to("Close…")
    press("Enter")
    expect(page.get_by_role("dialog")).to_be_visible()
    tab_to("Close it")
    press("Enter")
    expect(page.locator("#notices .notice")).to_have_count(1)
    assert page.evaluate("document.activeElement.id") == "needs-title"
