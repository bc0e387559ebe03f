"""The page of the gateways: what isn't heard comes first, and one on trial stands beside what is counted."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from service.web.stream import Hub
from tests.browser.test_looks import OpenPage, refuse_what_looks_wrong
from tests.support.floor import START, Floor, plant, served
from tests.support.gateways import AWAY, OWN, TRIAL, Gateways, elsewhere
from tests.support.hostile import HOSTILE


@pytest.fixture
def incoming() -> Gateways:
    return Gateways()


@pytest.fixture
def open_gateways(incoming: Gateways, new_page: OpenPage) -> Iterator[OpenPage]:
    hub = Hub()
    app, _ = plant(hub, incoming=incoming)
    with served(app, hub) as address:

        def open_(**options: Any) -> Page:
            page = new_page(address, **options)
            page.on("pageerror", lambda error: pytest.fail(f"the page failed: {error}"))
            page.goto(address + "/gateways")
            page.wait_for_selector("body[data-shown]")
            return page

        yield open_


def test_it_fits_and_axe_core_finds_nothing(open_gateways: OpenPage) -> None:
    refuse_what_looks_wrong(open_gateways())


def test_what_is_not_heard_comes_first_and_one_on_trial_shows_what_differs(open_gateways: OpenPage) -> None:
    page = open_gateways()
    heads = page.locator("#sources h3").all_inner_texts()
    assert [head.split(" ")[0] for head in heads] == ["north-hall", "reflow", "mqtt"]
    expect(page.locator("#verdict")).to_have_text("No: not heard is north-hall, reflow.")
    north, reflow, own = page.locator("#sources .way").all()
    expect(north).to_contain_text("Its broker hasn't been reached since")
    expect(north).to_contain_text("Connection refused")
    expect(north.get_by_role("link")).to_have_attribute("href", "/notice/n-north-hall")
    expect(reflow).to_contain_text("slots.F07.placed: -1 is below 0")
    expect(reflow).to_contain_text("L8 M2")
    expect(own.locator(".icon")).to_have_count(0)
    expect(own).to_contain_text("102.4 a minute")
    rows = page.locator("#trials tbody tr").all_inner_texts()
    assert [" ".join(row.split()) for row in rows] == [
        "L3 P1 F08 352 360 2 lost −8 −2 lost",
        "L3 P1 panels 90 90 0",
        "L9 M1 panels 90 – nobody counts it",
        "L3 P1 F07 1,620 4 lost 1,620 4 lost 0",
        "L9 M1 T1 90 – nobody counts it",
    ]
    expect(page.locator("#trials .way")).to_contain_text("3 times: Payload is missing")


def test_a_standby_says_that_another_listens_and_hostile_names_are_only_text(
    open_gateways: OpenPage, incoming: Gateways
) -> None:
    incoming.sources = [elsewhere(OWN), elsewhere(AWAY), replace(TRIAL, trial=None)]
    page = open_gateways()
    expect(page.locator("#verdict")).to_contain_text("Another instance is in charge and listens")
    expect(page.locator("#trials .way")).to_contain_text("Another instance tries it")
    texts = list(HOSTILE.values())
    assert AWAY.now is not None
    now = AWAY.now
    incoming.sources = [
        replace(AWAY, name=f"s{number}", topics=(text,), now=replace(now, trouble=text))
        for number, text in enumerate(texts)
    ]
    page.reload()
    expect(page.locator("#sources .way")).to_have_count(len(texts))
    assert page.evaluate("window.pwned") is None


def test_the_road_and_a_slot_say_calmly_that_numbers_are_old(floor: Floor, open_page: OpenPage) -> None:
    floor.place("P2", "T2").stale = START
    page = open_page()
    row = page.locator(".rows li").first
    expect(row.locator(".tag").nth(1)).to_contain_text("numbers from")
    expect(row.locator(".tag").nth(1)).to_contain_text("not heard since")
    page.goto(page.url.split("?")[0].rstrip("/") + "/line/L3/station/P2/slot/T2")
    expect(page.locator("#tags")).to_contain_text("not heard since")
