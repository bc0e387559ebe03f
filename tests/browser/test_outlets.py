"""The page of the outlets: what is wrong first, a test with its answer beside it, what was given up."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from service.web.stream import Hub
from tests.browser.test_looks import OpenPage, refuse_what_looks_wrong
from tests.support.access import PASSWORD, Entrance
from tests.support.floor import plant, served
from tests.support.hostile import HOSTILE
from tests.support.notices import AT
from tests.support.office import FAILING, GONE, UNHEARD, WATCHED, WELL, Office, dead


@pytest.fixture
def office() -> Office:
    return Office(outlets=[WELL, FAILING, UNHEARD, GONE], rows_of=[dead(1), dead(2)])


@pytest.fixture
def open_outlets(office: Office, new_page: OpenPage) -> Iterator[OpenPage]:
    hub = Hub()
    app, _ = plant(hub, office=office)
    with served(app, hub) as address:

        def open_(*, name: str | None = "badge 31", **options: Any) -> Page:
            page = new_page(address, **options)
            page.on("pageerror", lambda error: pytest.fail(f"the page failed: {error}"))
            if name is not None:
                page.add_init_script(f"localStorage.setItem('earlybell.name', {name!r})")
            page.goto(address + "/outlets")
            page.wait_for_selector("body[data-shown]")
            return page

        yield open_


def way(page: Page, name: str) -> Any:
    return page.locator(".way").filter(has=page.get_by_role("heading", name=name))


def test_it_fits_and_axe_core_finds_nothing(open_outlets: OpenPage) -> None:
    page = open_outlets()
    way(page, "line-3").get_by_text("What it says").click()
    expect(page.locator("pre").first).to_be_visible()
    way(page, "line-3").get_by_role("button", name="Send a test").click()
    expect(way(page, "line-3").locator(".said")).to_contain_text("delivered")
    refuse_what_looks_wrong(page)


def test_what_is_wrong_comes_first_and_says_why(open_outlets: OpenPage) -> None:
    page = open_outlets()
    heads = page.locator(".way h3").all_inner_texts()
    assert [head.split(" ")[0] for head in heads] == ["shift-mail", "old-hook", "phones", "line-3"]
    expect(page.locator("#verdict")).to_have_text("No: nothing gets out by shift-mail, old-hook.")
    expect(way(page, "shift-mail")).to_contain_text("connection refused")
    expect(way(page, "shift-mail")).to_contain_text("2 addresses by mail.ferrow.example")
    expect(way(page, "shift-mail").get_by_role("link", name="The notice about it")).to_have_attribute(
        "href", "/notice/n-shift-mail"
    )
    expect(way(page, "phones")).to_contain_text("none leads there: it hears nothing")


def test_while_all_is_well_nothing_is_coloured(open_outlets: OpenPage, office: Office) -> None:
    office.outlets, office.rows_of = [WELL], []
    page = open_outlets()
    expect(page.locator("#verdict")).to_have_text("Yes, as far as is known.")
    expect(page.locator(".way .icon")).to_have_count(0)
    expect(page.locator("#none-dead")).to_be_visible()


def test_a_test_is_sent_once_and_its_answer_stands_beside_it(open_outlets: OpenPage, office: Office) -> None:
    page = open_outlets()
    way(page, "line-3").get_by_role("button", name="Send a test").dblclick()
    expect(way(page, "line-3").locator(".said")).to_have_text("The test was delivered in 0.4 s.")
    assert set(office.tests) == {("line-3", "badge 31")}


def test_a_test_that_fails_says_why(open_outlets: OpenPage, office: Office) -> None:
    office.answers["line-3"] = "answered 403 Forbidden"
    page = open_outlets()
    way(page, "line-3").get_by_role("button", name="Send a test").click()
    said = way(page, "line-3").locator(".said.bad")
    expect(said).to_have_text("The test didn't get there: answered 403 Forbidden.")


def test_one_who_is_too_quick_is_told_to_wait(open_outlets: OpenPage, office: Office) -> None:
    office.busy.add("line-3")
    page = open_outlets()
    way(page, "line-3").get_by_role("button", name="Send a test").click()
    expect(way(page, "line-3").locator(".said.bad")).to_contain_text("wait 4 s")


def test_what_was_given_up_is_sent_again(open_outlets: OpenPage, office: Office) -> None:
    page = open_outlets()
    expect(page.locator("#dead li")).to_have_count(2)
    page.locator("#dead li").first.get_by_role("button", name="Send again").click()
    expect(page.locator("#dead li")).to_have_count(1)
    assert [row.state for row in office.rows_of] == ["dead", "waiting"]


def test_it_says_whether_its_silence_would_be_noticed(open_outlets: OpenPage, office: Office) -> None:
    expect(open_outlets().locator("#monitor")).to_have_text("By nobody: no heartbeat is configured.")
    office.lives = WATCHED
    page = open_outlets()
    expect(page.locator("#monitor")).to_contain_text("monitor.ferrow.example hears every 5 min that it lives")
    expect(page.locator("#daily")).to_contain_text("Every day at 07:00 a short message goes out by line-3.")
    office.lives = replace(WATCHED, failed_at=AT + 1_000_000, error="connection refused")
    expect(open_outlets().locator("#monitor")).to_contain_text("but doesn't: connection refused.")


def test_a_daily_message_that_was_given_up_has_no_page_to_go_to(
    open_outlets: OpenPage, office: Office
) -> None:
    office.rows_of = [dead(1, notice="awake-2026-03-02"), dead(2)]
    page = open_outlets()
    expect(page.locator("#dead li")).to_have_count(2)
    expect(page.locator("#dead a")).to_have_count(1)


def test_a_name_is_asked_for_before_anything_is_sent(open_outlets: OpenPage, office: Office) -> None:
    page = open_outlets(name=None)
    way(page, "line-3").get_by_role("button", name="Send a test").click()
    page.get_by_role("dialog").get_by_role("button", name="Not now").click()
    assert office.tests == []


def test_hostile_names_are_only_text(open_outlets: OpenPage, office: Office) -> None:
    texts = list(HOSTILE.values())
    office.outlets = [
        replace(FAILING, name=f"o{number}", leads_to=text, error=text) for number, text in enumerate(texts)
    ]
    office.rows_of = [dead(number, error=text, notice=text) for number, text in enumerate(texts)]
    page = open_outlets()
    expect(page.locator("#ways .way")).to_have_count(len(texts))
    assert page.evaluate("window.pwned") is None


def test_who_may_only_look_sees_no_buttons(office: Office, new_page: OpenPage) -> None:
    hub, entrance = Hub(), Entrance()
    entrance.knows("Tomas", "read")
    app, _ = plant(hub, door=entrance.door, public_url=None, office=office)
    with served(app, hub) as address:
        page = new_page(address)
        page.goto(address + "/outlets")
        page.get_by_label("Name").fill("Tomas")
        page.get_by_label("Password").fill(PASSWORD)
        page.get_by_role("button", name="Sign in").click()
        page.wait_for_selector("body[data-shown]")
        expect(page.get_by_role("button", name="Send a test")).to_have_count(0)
        expect(page.get_by_role("button", name="Send again")).to_have_count(0)
