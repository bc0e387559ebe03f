"""The plan, what to fetch, and the planned stops on the road: seen, ticked with a thumb, printed."""

from __future__ import annotations

from collections.abc import Callable

import msgspec
import pytest
from playwright.sync_api import Page, expect

from tests.browser.test_looks import refuse_what_axe_finds, refuse_what_does_not_fit
from tests.support.floor import Floor, Place

OpenPage = Callable[..., Page]


@pytest.fixture
def floor(floor: Floor) -> Floor:
    """T2 lasts 30 panels, T1 38; both hold 40 when they are full. A takt is 24 seconds, and it is 07:14."""
    floor.place("P2", "T2").left = 30
    floor.places = [each for each in floor.places if each.slot != "S1"]
    return floor


def make_endless(floor: Floor) -> None:
    """A second line, with names that are far too long, and hands that can't do it all."""
    endless = "W" * 64
    for slot in range(12):
        floor.places.append(
            Place(line=endless, station=endless, slot=f"{slot}{endless[2:]}", part="P" * 256, left=160 + slot)
        )
    floor.shelf.tick("L3", part="MCU-48Q", kind="tray", supplies=2, by="Tomas")


@pytest.mark.parametrize("path", ["/plan", "/fetch"])
def test_it_fits_and_is_large_enough_for_a_glove(floor: Floor, open_page: OpenPage, path: str) -> None:
    make_endless(floor)
    page = open_page(path)
    expect(page.locator("#lines > *")).to_have_count(2)
    refuse_what_does_not_fit(page)
    refuse_what_axe_finds(page)


def test_what_stands_ready_is_ticked_on_a_phone_and_the_sheet_prints(
    floor: Floor, open_page: OpenPage
) -> None:
    page = open_page("/fetch?line=L3", name="Mira")
    trays = page.locator(".parts > li", has_text="MCU-48Q")
    expect(trays).to_contain_text("0 of 5 trays ready")
    for ticked in (1, 2):
        trays.get_by_role("button", name="One is here").click()
        expect(trays.locator(".there")).to_have_text(f"{ticked} of 5 trays ready · Mira, 07:14")
    expect(trays.locator(".box path")).to_have_count(2)
    expect(trays.get_by_role("status")).to_have_text("Noted: 2 of 5 trays ready.")
    trays.get_by_role("button", name="Take one back").click()
    expect(trays.locator(".there")).to_contain_text("1 of 5 trays ready")
    trays.get_by_role("button", name="All 5 trays are here").click()
    expect(trays.get_by_role("button", name="One is here")).to_be_hidden()
    expect(page.locator(".walks li").first).not_to_contain_text("MCU-48Q")
    assert [(each.part, each.supplies) for each in floor.shelf.world.line("L3").ready] == [("MCU-48Q", 5)]
    page.emulate_media(media="print")
    expect(page.locator("#choose")).to_be_hidden()
    paper = page.pdf(prefer_css_page_size=True)
    assert paper.count(b"/Type /Page\n") + paper.count(b"/Type /Page ") == 1


def test_the_next_stop_stands_large_with_what_goes_in_and_leads_to_the_exchange(
    floor: Floor, open_page: OpenPage
) -> None:
    floor.shelf.tick("L3", part="RF-SHIELD-22", kind="tray", supplies=1, by="Tomas")
    page = open_page("/plan?line=L3")
    stop = page.locator(".stop")
    expect(stop.locator(".far")).to_have_text("28panels from nowabout 07:25")
    expect(stop.locator(".ready")).to_have_text("A fresh one stands ready.")
    link = stop.get_by_role("link", name="T2 P2")
    assert link.get_attribute("href") == "/exchange?line=L3&station=P2&slot=T2"
    expect(page.locator(".jobs li").first).to_contain_text("F07")
    expect(page.locator(".plan > .note")).to_contain_text("P1 F12")
    floor.run(1)
    floor.hub.publish("plan", msgspec.json.encode(floor.plan("L3", panels=200)))
    expect(stop.locator(".far b")).to_have_text("27")


def test_planned_stops_go_through_the_road_and_mark_what_is_exchanged_then(
    floor: Floor, open_page: OpenPage
) -> None:
    page = open_page("/?line=L3", width=1440)
    road = page.locator(".road")
    first = road.get_by_role("link", name="Stop in 28 panels, 07:25: P2 T2")
    expect(first).to_have_attribute("href", "/plan?line=L3")
    rows = road.locator(".rows li")
    through = rows.filter(has=page.locator("line.stop"))
    expect(through).to_have_count(rows.filter(has=page.locator(".picture .way")).count())
    marked = rows.filter(has=page.locator(".picture .sign-stop"))
    assert sorted(marked.locator(".name b").all_inner_texts()) == ["T1", "T2"]
    expect(marked.filter(has_text="RF-SHIELD-22").locator(".tags")).to_contain_text("stop in 28 panels")
    expect(road.locator(".legend")).to_contain_text("planned stop")
    marked.filter(has_text="RF-SHIELD-22").get_by_role("link").click()
    expect(page.locator("#tags")).to_contain_text("stop in 28 panels")
    expect(page.locator("#road .picture .sign-stop")).to_have_count(1)


def test_without_a_plan_the_road_is_quiet_and_the_page_says_that_no_stop_is_needed(
    floor: Floor, open_page: OpenPage
) -> None:
    floor.places = [each for each in floor.places if each.kind == "tape" and each.left]
    page = open_page("/?line=L3")
    expect(page.locator(".road .picture .way").first).to_be_visible()
    expect(page.locator(".next-stop")).to_be_hidden()
    expect(page.locator(".legend")).not_to_contain_text("planned stop")
    page.goto(page.url.replace("/?", "/plan?"))
    expect(page.locator(".plan > .calm")).to_have_text(
        "No stop is needed in the next 200 panels, by what is known."
    )
