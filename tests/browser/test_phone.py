"""A phone with the page closed: what its worker shows of what was pushed, and what a press does. The page
that sets it up, and what stands there without a connection."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import UTC
from typing import Any

import msgspec
import pytest
from playwright.sync_api import BrowserContext, Page, expect

from service.domain.model import Change
from service.outlets.pushed import News, pushed
from service.usecases.deliver import Telling
from service.web.stream import Hub
from tests.browser.test_looks import OpenPage, refuse_what_axe_finds, refuse_what_does_not_fit
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


@pytest.fixture
def phone(site: Site, new_context: NewContext) -> Phone:
    return Phone(new_context(), site[0])


def news_of(floor: Floor, *ids: str, key: str | None = None, **changes: Any) -> list[News]:
    notices = [msgspec.structs.replace(floor.notes[each], **changes) for each in ids]
    return [News(told=Telling(change=Change.CHANGED, notice=each), attempts=1, key=key) for each in notices]


def said(floor: Floor, *ids: str, key: str | None = None, **changes: Any) -> dict[str, Any]:
    """What the outlet says to Mira's phone about these."""
    return pushed(news_of(floor, *ids, key=key, **changes), person="Mira", zone=UTC)


def test_what_is_pushed_is_shown_with_the_page_closed(phone: Phone, floor: Floor) -> None:
    phone.pocket()
    phone.hears(said(floor, ID))
    (shown,) = phone.until_shown(lambda all_: len(all_) == 1)
    assert shown["title"] == "L3 P2 slot T2: supply runs out"
    assert "Bring: one tray of RF-SHIELD-22" in shown["body"]
    assert "machine's manual" in shown["body"]
    assert shown["actions"] == [["take", "I'm on it"], ["quiet", "Quiet 5 panels"]]
    assert not shown["silent"]
    assert floor.notes[ID].state == "open"


def test_a_press_takes_the_notice_in_the_persons_name_and_says_so(phone: Phone, floor: Floor) -> None:
    phone.pocket()
    phone.hears(said(floor, ID))
    phone.until_shown(len)
    phone.press("take", tag=TAG)
    assert (floor.notes[ID].state, floor.notes[ID].taken_by) == ("taken", "Mira")
    (shown,) = phone.until_shown(lambda all_: all_ and all_[0]["silent"])
    assert (shown["body"], shown["actions"], shown["tag"]) == ("You are on it.", [], TAG)


def test_a_press_on_quiet_is_quiet_for_five_panels(phone: Phone, floor: Floor) -> None:
    phone.hears(said(floor, ID))
    phone.until_shown(len)
    phone.press("quiet", tag=TAG)
    assert (floor.notes[ID].state, floor.notes[ID].quiet_panels) == ("quiet", 5)
    phone.until_shown(lambda all_: all_ and all_[0]["body"] == "Quiet, unless it gets worse.")


def test_who_was_not_first_is_told_who_was(phone: Phone, floor: Floor) -> None:
    phone.hears(said(floor, ID))
    phone.until_shown(len)
    floor.take(ID, by="Bert")
    phone.press("take", tag=TAG)
    phone.until_shown(lambda all_: all_ and all_[0]["body"] == "Bert was first.")
    assert floor.notes[ID].taken_by == "Bert"


def test_what_was_closed_meanwhile_is_said(phone: Phone, floor: Floor) -> None:
    phone.hears(said(floor, ID))
    phone.until_shown(len)
    floor.close(ID, by="Bert", reason="done")
    phone.press("take", tag=TAG)
    phone.until_shown(lambda all_: all_ and all_[0]["body"] == "It was closed meanwhile.")


def test_a_tap_beside_the_buttons_and_a_look_change_nothing(phone: Phone, floor: Floor) -> None:
    phone.hears(said(floor, ID))
    phone.until_shown(len)
    phone.press(tag=TAG)
    phone.page.goto(f"{phone.address}/notice/{ID}")
    phone.page.wait_for_selector("#freshness[data-state='live']")
    assert all(notice.state == "open" and notice.version == 1 for notice in floor.notes.values())


def test_more_of_the_same_replaces_what_was_shown(phone: Phone, floor: Floor) -> None:
    phone.hears(said(floor, ID))
    phone.until_shown(len)
    phone.hears(said(floor, ID, level="empty", version=2))
    (shown,) = phone.until_shown(lambda all_: "is empty" in all_[0]["body"])
    assert not shown["silent"]
    phone.hears(said(floor, ID, state="closed", closed_because="refilled", version=3))
    (shown,) = phone.until_shown(lambda all_: "it was refilled" in all_[0]["body"])
    assert (shown["silent"], shown["actions"]) == (True, [])


def test_what_arrives_late_does_not_undo_what_is_newer(phone: Phone, floor: Floor) -> None:
    """RFC 8030 promises no order."""
    phone.hears(said(floor, ID, state="closed", closed_because="refilled", version=3))
    phone.until_shown(len)
    phone.hears(said(floor, ID, version=2))
    phone.hears(said(floor, OTHER))
    shown = {each["tag"]: each for each in phone.until_shown(lambda all_: len(all_) == 2)}
    assert "it was refilled" in shown[TAG]["body"]


def test_several_at_once_are_one_that_each_of_them_leaves_in_its_turn(phone: Phone, floor: Floor) -> None:
    phone.hears(said(floor, ID, OTHER))
    (together,) = phone.until_shown(len)
    assert (together["title"], together["actions"]) == ("L3: 2 notices", [])
    assert len(together["body"].splitlines()) == 2
    phone.hears(said(floor, ID, state="taken", taken_by="Bert", version=2))
    shown = {each["tag"]: each for each in phone.until_shown(lambda all_: len(all_) == 2)}
    assert "Bert" in shown[TAG]["body"]
    assert shown["line L3"]["body"].startswith("L3 P1 slot F07")
    phone.hears(said(floor, OTHER, version=2))
    phone.until_shown(lambda all_: {each["tag"] for each in all_} == {TAG, OTHER_TAG})


def test_a_second_message_of_several_keeps_what_only_the_first_told(phone: Phone, floor: Floor) -> None:
    floor.warn("P2", "T1", level="urgent")
    floor.warn("P1", "F11", level="early")
    phone.hears(said(floor, ID, OTHER))
    phone.until_shown(len)
    phone.hears(said(floor, "n-L3-P2-T1", "n-L3-P1-F11"))
    (shown,) = phone.until_shown(lambda all_: len(all_[0]["data"]["items"]) == 4)
    assert len(shown["body"].splitlines()) == 4


def test_what_nobody_can_read_still_shows_something(phone: Phone) -> None:
    """Browsers end the subscription of whoever shows nothing."""
    phone.hears("no JSON")
    (shown,) = phone.until_shown(len)
    assert shown["title"] == "Earlybell"


# --- where people must say who they are


def test_the_key_in_the_message_acts_without_a_session_and_opens_its_notice_alone(
    closed_site: tuple[str, Floor, Entrance], new_context: NewContext
) -> None:
    address, floor, entrance = closed_site
    phone = Phone(new_context(), address)
    phone.pocket()
    key = entrance.door.link_key(ID, "phones-l3")
    phone.hears(said(floor, ID, key=key))
    phone.hears(said(floor, OTHER, key=key))  # of another notice
    phone.until_shown(lambda all_: len(all_) == 2)
    phone.press("take", tag=TAG)
    phone.press("take", tag=OTHER_TAG)
    assert floor.notes[ID].taken_by == "Mira (link to phones-l3)"
    assert floor.notes[OTHER].state == "open"
    shown = {each["tag"]: each["body"] for each in phone.shows()}
    assert shown == {
        TAG: "You are on it.",
        OTHER_TAG: "This message can't act any more. Tap to open the notice.",
    }


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


@pytest.mark.parametrize("allowed", [True, False])
def test_the_page_fits_every_hall_and_sense(
    open_phone: OpenPage, phones: MemoryPhones, allowed: bool
) -> None:
    page = open_phone(allowed=allowed)
    refuse_what_does_not_fit(page)
    refuse_what_axe_finds(page)


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
