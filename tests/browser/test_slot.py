"""The page of one slot: reached by a link, alive, and able to say why and to be told what was done."""

from __future__ import annotations

import re
from collections.abc import Callable

from playwright.sync_api import Page, expect

from tests.support.floor import Floor

OpenPage = Callable[..., Page]
T2 = "/line/L3/station/P2/slot/T2"
F07 = "/line/L3/station/P1/slot/F07"
F31 = "/line/L3/station/P2/slot/F31"


def press(page: Page, name: str) -> None:
    page.locator("#acts").get_by_role("button", name=name, exact=True).click()


def test_a_row_leads_to_its_slot_and_back_leads_to_the_road(open_page: OpenPage) -> None:
    page = open_page()
    page.locator(".rows .row").nth(1).click()
    expect(page.locator("#slot-title")).to_contain_text("F07")
    assert page.url.endswith(F07)
    page.reload()
    expect(page.locator("#panels")).to_have_text("9 panels")
    page.go_back()
    expect(page.locator(".rows .row").nth(1)).to_be_visible()
    assert page.url.endswith("/")


def test_a_notice_leads_to_its_slot(open_page: OpenPage) -> None:
    page = open_page()
    page.locator("#notice-n-L3-P2-T2").get_by_role("link", name="P2 · line L3").click()
    expect(page.locator("#slot-title")).to_contain_text("T2")
    expect(page.locator("#notice-n-L3-P2-T2")).to_be_visible()


def test_names_of_any_script_have_a_page(floor: Floor, open_page: OpenPage) -> None:
    floor.place("Ž-1", "Ä.2", "Šířka").part = "R-1K"
    page = open_page("/?line=Šířka")
    page.locator(".rows .row").first.click()
    expect(page.locator("#slot-title")).to_contain_text("Ä.2")
    expect(page.locator("#part")).to_have_text("R-1K")


def test_it_says_the_number_its_doubt_and_its_clock(open_page: OpenPage) -> None:
    page = open_page(F07)
    expect(page.locator("#panels")).to_have_text("9 panels")
    expect(page.locator("#when")).to_have_text("6–11 · about 07:17")
    expect(page.locator("#tags")).to_have_text("due")
    assert page.locator("#road .sure").first.get_attribute("width") == "30.00%"  # 6 of 20
    expect(page.locator("#road .spoken")).to_have_text("The order needs it for 210 more panels.")


def test_a_tray_says_when_it_may_be_exchanged_for_the_last_time(open_page: OpenPage) -> None:
    said = open_page(T2).locator("#road .spoken")
    expect(said).to_contain_text("The last before it may be empty is after 2 panels, about 07:14.")


def test_why_this_number_is_two_sentences_and_the_figures(open_page: OpenPage) -> None:
    page = open_page(F07)
    expect(page.locator(".sentences p")).to_have_text(
        [
            "Loaded with 562 parts as declared, 400 were counted since: about 162 are left.",
            "At 18 parts a panel",
        ]
    )
    figures = page.locator(".figures")
    for words in (
        "562 parts, as declared",
        "4.3 %; a warning is given from 10 %",
        "5 in 1,000",
        "b3c1, 4182",
    ):
        expect(figures).to_contain_text(words)


def test_what_is_left_is_drawn_and_said(open_page: OpenPage) -> None:
    page = open_page(F07)
    expect(page.locator("#left dd")).to_have_text(["162", "122", "162", "202"])
    assert page.locator("#left .sure").get_attribute("width") == "21.71%"  # 122 of 562
    assert page.locator("#left line.book").get_attribute("x1") == "28.83%"


def test_what_is_not_known_is_said_and_not_drawn(open_page: OpenPage) -> None:
    page = open_page("/line/L3/station/P2/slot/F33")
    expect(page.locator("#left")).to_contain_text("Not known: nobody has said how many parts are loaded.")
    expect(page.locator("#panels")).to_contain_text("quantity and usage unknown")
    assert page.locator("#road .picture.tall > *").count() == 0
    declared = page.locator(".figures div").filter(has_text="Declared")
    expect(declared).to_contain_text("not known")


def test_it_moves_with_the_line_and_so_do_its_reasons(floor: Floor, open_page: OpenPage) -> None:
    page = open_page(F07)
    floor.run(3)
    expect(page.locator("#panels")).to_have_text("6 panels")
    expect(page.locator(".sentences p").first).to_contain_text("about 108 are left")


def test_its_open_notice_has_its_buttons_and_past_ones_are_listed(floor: Floor, open_page: OpenPage) -> None:
    floor.close("n-L3-P2-T2", by="Mira", reason="order change")
    floor.ask("P2", "T2")
    page = open_page(T2, name="Mira")
    expect(page.locator("#notices .notice")).to_have_count(1)
    past = page.locator("#past li")
    expect(past).to_have_count(1)
    expect(past).to_contain_text("Closed by Mira: order change")
    past.get_by_role("link").click()
    expect(page).to_have_url(re.compile("/notice/n-L3-P2-T2$"))


def test_taking_its_notice_works_here_too(floor: Floor, open_page: OpenPage) -> None:
    page = open_page(T2, name="Mira")
    page.get_by_role("button", name="I'm on it").click()
    expect(page.locator("#notices .status")).to_have_text("Mira is on it")
    assert floor.notes["n-L3-P2-T2"].taken_by == "Mira"


def test_a_new_supply_is_one_tap(floor: Floor, open_page: OpenPage) -> None:
    page = open_page(T2, name="Mira")
    press(page, "Loaded a new tray")
    expect(page.locator("#acts .said")).to_contain_text("Thank you: counted from the new one.")
    assert [body for body, _ in floor.heard] == ['{"change":"loaded","by":"Mira"}']
    expect(page.locator("#notices .notice")).to_have_count(0)
    expect(page.locator("#past li")).to_have_count(1)
    expect(page.locator("#panels")).to_have_text("2,000 panels")


def test_another_quantity_is_asked_for(floor: Floor, open_page: OpenPage) -> None:
    page = open_page(T2, name="Mira")
    press(page, "Loaded, another quantity")
    page.get_by_role("textbox", name="Parts").fill("120")
    page.keyboard.press("Enter")
    expect(page.locator("#panels")).to_have_text("120 panels")
    assert floor.heard[0][0] == '{"change":"loaded","quantity":120,"by":"Mira"}'


def test_what_a_person_counted_is_asked_for_and_none_is_a_count(floor: Floor, open_page: OpenPage) -> None:
    page = open_page(F07, name="Mira")
    press(page, "Counted what is left")
    page.get_by_role("textbox", name="Parts").fill("0")
    page.get_by_role("button", name="That many").click()
    expect(page.locator("#panels")).to_have_text("0 panels")
    assert floor.heard[0][0] == '{"change":"counted","quantity":0,"by":"Mira"}'


def test_taking_out_is_asked_once(floor: Floor, open_page: OpenPage) -> None:
    page = open_page(F07, name="Mira")
    press(page, "Taken out")
    page.locator("dialog").get_by_role("button", name="No").click()
    assert floor.heard == []
    press(page, "Taken out")
    page.get_by_role("button", name="Yes, it is out").click()
    expect(page.locator("#panels")).to_contain_text("quantity unknown")
    assert floor.heard[0][0] == '{"change":"removed","by":"Mira"}'


def test_an_empty_slot_says_that_the_station_waits(floor: Floor, open_page: OpenPage) -> None:
    floor.place("P2", "T2").empty = True
    page = open_page(T2)
    expect(page.locator("#panels")).to_contain_text("Out")
    expect(page.locator("#when")).to_have_text("the station waits")


def test_an_assumed_quantity_is_said(open_page: OpenPage) -> None:
    page = open_page(F31)
    expect(page.locator("#tags")).to_have_text("quantity assumed")
    expect(page.locator(".figures")).to_contain_text("yes: nobody said how many were loaded")


def test_markup_in_a_part_is_shown_as_it_is(floor: Floor, open_page: OpenPage) -> None:
    floor.place("P2", "T2").part = "<b>bold</b>"
    expect(open_page(T2).locator("#part")).to_have_text("<b>bold</b>")


def test_a_slot_that_wont_last_its_order_says_so_on_its_page_and_in_its_row(
    floor: Floor, open_page: OpenPage
) -> None:
    floor.place("P1", "F07").short = 312
    words = "will not last order B-2214: 312 parts short"
    expect(open_page(F07).locator("#tags")).to_contain_text(words)
    expect(open_page().locator(".rows .row").filter(has_text="F07")).to_contain_text(words)
