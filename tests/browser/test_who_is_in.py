"""The page of who is signed in: for administrators, who can end it there."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from playwright.sync_api import Page, expect

from service.web.stream import Hub
from tests.browser.test_looks import refuse_what_looks_wrong
from tests.browser.test_sign_in import sign_in
from tests.support.access import PASSWORD, Entrance
from tests.support.floor import plant, served

NewPage = Callable[..., Page]


@pytest.fixture
def entrance() -> Entrance:
    entrance = Entrance()
    entrance.knows("Ida", "admin")
    entrance.knows("Mira", "act")
    entrance.token("gate", "act", days=30, others=True)
    return entrance


@pytest.fixture
def address(entrance: Entrance) -> Iterator[str]:
    hub = Hub()
    app, _ = plant(hub, door=entrance.door, public_url=None, session_check_seconds=0.2)
    with served(app, hub) as address:
        yield address


def test_an_administrator_sees_who_is_signed_in_and_signs_one_out(
    address: str, entrance: Entrance, new_page: NewPage
) -> None:
    theirs = entrance.door.sign_in("mira", PASSWORD, address="10.0.0.7")
    entrance.wait(3)
    page = new_page(address)
    page.on("pageerror", lambda error: pytest.fail(f"the page failed: {error}"))
    page.goto(address + "/sessions")
    sign_in(page, "Ida")
    page.wait_for_selector("body[data-shown]")
    expect(page.locator("#verdict")).to_have_text("2 sign-ins hold.")
    mira = page.locator("#sessions li").filter(has_text="Mira")
    expect(mira).to_contain_text("may act, since")
    expect(mira).to_contain_text("from 10.0.0.7")
    expect(page.locator("#tokens li")).to_contain_text("may act, for others, never used, expires")
    refuse_what_looks_wrong(page)
    mira.get_by_role("button", name="Sign Mira out").click()
    expect(page.locator("#verdict")).to_have_text("1 sign-in holds.")
    entrance.wait(3)
    assert entrance.door.by_session(theirs, address="") is None
    expect(page.locator("#sessions li")).to_contain_text("this one, administrator")


def test_nobody_else_is_led_there_and_hostile_names_are_only_text(
    address: str, entrance: Entrance, new_page: NewPage
) -> None:
    page = new_page(address)
    page.goto(address + "/plan")
    sign_in(page)
    page.wait_for_url(address + "/plan")
    assert page.locator('#places a[href="/sessions"]').count() == 0
    assert page.goto(address + "/sessions").status == 403  # type: ignore[union-attr]
    name = "<img src=x onerror=alert(1)>&amp;'\""
    entrance.knows(name, "admin")
    boss = new_page(address)
    boss.goto(address + "/sessions")
    sign_in(boss, name)
    boss.wait_for_selector("body[data-shown]")
    expect(boss.locator("#sessions li b").filter(has_text=name)).to_have_text(name)
