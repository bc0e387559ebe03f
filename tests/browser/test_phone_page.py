"""The page that sets a phone up, and what stands there without a connection."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import UTC
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from service.domain.model import Change
from service.outlets.pushed import News, pushed
from service.usecases.deliver import Telling
from service.web.stream import Hub
from tests.browser.test_looks import OpenPage, refuse_what_axe_finds, refuse_what_looks_wrong
from tests.support.access import Entrance
from tests.support.chromium import chromium
from tests.support.floor import Floor, plant, served
from tests.support.phones import Handset, MemoryPhones, book_of
from tests.support.wait import eventually
from tests.support.worker import Phone

ID = "n-L3-P2-T2"
OTHER = "n-L3-P1-F07"
TAG, OTHER_TAG = f"notice {ID}", f"notice {OTHER}"
Site = tuple[str, Floor]
NewContext = Callable[..., BrowserContext]


def said(floor: Floor, notice_id: str) -> dict[str, Any]:
    told = Telling(change=Change.CHANGED, notice=floor.notes[notice_id])
    return pushed([News(told=told, attempts=1, key=None)], person="Mira", zone=UTC)


# --- without a connection


@pytest.fixture
def stoppable() -> Iterator[tuple[str, Floor, Callable[[], None]]]:
    hub = Hub()
    app, floor = plant(hub)
    with ExitStack() as stack:
        address = stack.enter_context(served(app, hub))
        yield address, floor, stack.close


def test_a_press_without_a_connection_says_that_nothing_is_stored_and_can_be_pressed_again(
    stoppable: tuple[str, Floor, Callable[[], None]], new_context: NewContext
) -> None:
    address, floor, stop = stoppable
    phone = Phone(new_context(), address)
    phone.hears(said(floor, ID))
    phone.until_shown(len)
    stop()
    phone.press("take", tag=TAG)
    (shown,) = phone.until_shown(lambda all_: all_ and "No connection." in all_[0]["body"])
    assert "Nothing is known to be stored" in shown["body"]
    assert [each[0] for each in shown["actions"]] == ["take", "quiet"]
    assert not shown["silent"]


def test_without_a_connection_the_page_opens_says_so_and_how_old_it_is(
    stoppable: tuple[str, Floor, Callable[[], None]], new_context: NewContext
) -> None:
    address, floor, stop = stoppable
    floor.take(OTHER, by="Bert")
    page = Phone(new_context(), address).page
    page.goto(address)
    page.wait_for_selector("#freshness[data-state='live']")
    eventually(
        lambda: page.evaluate("caches.match('/api/v1/notices?limit=1000').then(Boolean)"), message="not kept"
    )
    stop()
    page.goto(address + "/record")
    expect(page.get_by_role("heading", level=2)).to_have_text("No connection to Earlybell")
    expect(page.locator("#age")).to_contain_text("By now it may be wrong: look at the machine.")
    expect(page.locator("#age")).to_contain_text(" s ago")
    expect(page.locator("#none")).to_have_text("2 notices were open then:")
    expect(page.locator("#old")).to_contain_text("P2 T2: RF-SHIELD-22 runs empty")
    expect(page.locator("#old")).to_contain_text("Bert was on it")
    expect(page.get_by_role("button", name="I'm on it")).to_have_count(0)
    refuse_what_axe_finds(page)


def test_the_page_comes_back_by_itself_with_the_connection(
    stoppable: tuple[str, Floor, Callable[[], None]], new_context: NewContext
) -> None:
    address, _, stop = stoppable
    page = Phone(new_context(), address).page
    stop()
    page.goto(address + "/")
    expect(page.locator("#age")).to_contain_text("Nothing here is true now.")
    hub = Hub()
    app, _ = plant(hub)
    with served(app, hub, port=int(address.rpartition(":")[2])):
        page.evaluate("window.dispatchEvent(new Event('online'))")
        page.wait_for_selector("#freshness[data-state='live']")


class _NobodyBehind(BaseHTTPRequestHandler):
    """A proxy whose service is away."""

    def do_GET(self) -> None:
        self.send_error(502)

    def log_message(self, *_: object) -> None:
        return


def test_a_proxy_that_reaches_nobody_is_no_connection_either(
    stoppable: tuple[str, Floor, Callable[[], None]], new_context: NewContext
) -> None:
    address, _, stop = stoppable
    page = Phone(new_context(), address).page
    stop()
    with ThreadingHTTPServer(("127.0.0.1", int(address.rpartition(":")[2])), _NobodyBehind) as proxy:
        threading.Thread(target=proxy.serve_forever, args=(0.02,), daemon=True).start()
        page.goto(address + "/")
        expect(page.get_by_role("heading", level=2)).to_have_text("No connection to Earlybell")
        proxy.shutdown()


def test_signing_out_forgets_what_the_phone_has_kept(
    closed_site: tuple[str, Floor, Entrance], new_context: NewContext
) -> None:
    page = Phone(new_context(), closed_site[0]).page
    page.goto(closed_site[0] + "/sign-in")
    page.get_by_label("Name").fill("Mira")
    page.get_by_label("Password").fill("correct horse 31")
    page.get_by_role("button", name="Sign in").click()
    kept = "caches.match('/api/v1/notices?limit=1000').then(Boolean)"
    page.wait_for_selector("#freshness[data-state='live']")
    eventually(lambda: page.evaluate(kept), message="not kept")
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url("**/sign-in")
    eventually(lambda: not page.evaluate(kept), message="still kept")


# --- setting it up


@pytest.fixture
def phones() -> MemoryPhones:
    return MemoryPhones()


@pytest.fixture
def open_phone(phones: MemoryPhones, new_context: NewContext) -> Iterator[OpenPage]:
    hub = Hub()
    app, _ = plant(hub, book=book_of(phones, "phones-l3", "phones-l4"), public_url=None)
    with served(app, hub) as address:

        def open_(*, allowed: bool = True, before: str = "", **options: Any) -> Page:
            context = new_context(**options)
            if allowed:
                context.grant_permissions(["notifications"], origin=address)
            page = context.new_page()
            page.on("pageerror", lambda error: pytest.fail(f"the page failed: {error}"))
            page.add_init_script("localStorage.setItem('earlybell.name', 'Mira')" + before)
            page.goto(address + "/phone")
            expect(page.locator("#can")).not_to_have_text("Looking…")
            return page

        yield open_


def test_a_browser_without_its_push_service_is_told_what_does_the_job(
    open_phone: OpenPage, phones: MemoryPhones
) -> None:
    """As this browser is: headless, and without the internet."""
    page = open_phone()
    expect(page.locator("#can")).to_have_text("This phone can hear the bell with this page closed.")
    expect(page.locator("#heard li")).to_have_count(2)
    page.get_by_role("button", name="Hear it on this phone").first.click()
    expect(page.locator("#said")).to_contain_text("The browser's push service can't be reached.")
    expect(page.locator("#said")).to_contain_text("chat and mail do the job")
    assert phones.counts() == {}


SUBSCRIBED = """;
const there = { endpoint: %r, options: {}, toJSON: () => (%s), unsubscribe: () => Promise.resolve(true) };
PushManager.prototype.subscribe = () => Promise.resolve(there);
PushManager.prototype.getSubscription = () => Promise.resolve(localStorage.getItem("sub") ? there : null);
"""


def test_a_phone_hears_an_outlet_and_stops_hearing_it(open_phone: OpenPage, phones: MemoryPhones) -> None:
    """The subscription comes from the test: this browser has no push service that would give one."""
    handset = Handset("https://push.example/send/1")
    before = SUBSCRIBED % (handset.endpoint, json.dumps(handset.subscription))
    page = open_phone(before=before)
    first = page.locator("#heard li").filter(has_text="phones-l3")
    expect(first).to_contain_text("0 phones hear it")
    page.evaluate("localStorage.setItem('sub', '1')")
    first.get_by_role("button", name="Hear it on this phone").click()
    expect(page.locator("#said")).to_have_text(
        "This phone hears phones-l3 from now on. Send a test to see it."
    )
    (row,) = phones.of("phones-l3")
    assert (row.person, row.device, row.language) == ("Mira", handset.device, "en")
    expect(page.locator("#can")).to_have_text("This phone hears the bell.")
    page.reload()
    expect(first).to_contain_text("Mira hears it here since")
    first.get_by_role("button", name="Stop").click()
    expect(page.locator("#said")).to_have_text("Stopped.")
    assert phones.counts() == {}


def test_without_leave_to_show_notifications_it_says_that_it_needs_it(
    open_phone: OpenPage, phones: MemoryPhones
) -> None:
    page = open_phone(allowed=False)
    page.get_by_role("button", name="Hear it on this phone").first.click()
    expect(page.locator("#said")).to_have_text("Without your leave to show notifications it can't.")
    assert phones.counts() == {}


def test_over_plain_http_it_says_that_chat_and_mail_do_the_job() -> None:
    hub = Hub()
    app, _ = plant(hub, public_url=None)
    result: dict[str, Any] = {}

    def look() -> None:  # a browser of its own, and its event loop, in a thread of its own
        with (
            served(app, hub) as address,
            chromium("--host-resolver-rules=MAP bell.plant.example 127.0.0.1") as own,
        ):
            page = own.new_page()
            page.goto(address.replace("127.0.0.1", "bell.plant.example") + "/phone")
            can = page.locator("#can")
            expect(can).not_to_have_text("Looking…")
            result["can"] = can.text_content()
            result["buttons"] = page.get_by_role("button", name="Hear it").count()

    thread = threading.Thread(target=look)
    thread.start()
    thread.join(60)
    assert "came without HTTPS" in result["can"]
    assert "chat and mail do the job" in result["can"]
    assert result["buttons"] == 0


def test_opened_from_the_home_screen_any_page_brings_the_worker_along(
    site: Site, new_context: NewContext
) -> None:
    """That it was opened from there is said by the test: a headless browser has no home screen."""
    page = new_context().new_page()
    has_one = "navigator.serviceWorker.getRegistration('/').then(Boolean)"
    page.goto(site[0])
    page.wait_for_selector("#freshness[data-state='live']")
    assert not page.evaluate(has_one)
    page.add_init_script(
        "const own = matchMedia; globalThis.matchMedia ="
        " (asked) => asked === '(display-mode: standalone)' ? { matches: true } : own(asked);"
    )
    page.reload()
    eventually(lambda: page.evaluate(has_one), message="no worker")


def test_the_page_fits_every_hall_and_sense(open_phone: OpenPage) -> None:
    page = open_phone()
    refuse_what_looks_wrong(page)


def test_every_button_is_wide_enough_for_a_glove_and_is_reached_by_keyboard(open_phone: OpenPage) -> None:
    """44 px, WCAG 2.5.5 (from memory); ours have 48."""
    page = open_phone()
    buttons = page.locator("main button:visible")
    sizes = [box for each in buttons.all() if (box := each.bounding_box())]
    assert len(sizes) == 2
    assert min(min(box["width"], box["height"]) for box in sizes) >= 48
    page.locator("#heard button").first.focus()
    page.keyboard.press("Enter")
    expect(page.locator("#said")).not_to_have_text("")
