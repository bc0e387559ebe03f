"""A phone with the page closed: what its worker shows of what was pushed, and what a press does."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC
from typing import Any

import msgspec
import pytest
from playwright.sync_api import Browser, BrowserContext

from service.domain.model import Change
from service.outlets.pushed import News, pushed
from service.usecases.deliver import Telling
from service.web.stream import Hub
from tests.support.access import Entrance
from tests.support.floor import Floor, plant, served
from tests.support.phones import Handset, MemoryPhones, book_of
from tests.support.worker import Phone

ID = "n-L3-P2-T2"
OTHER = "n-L3-P1-F07"
TAG, OTHER_TAG = f"notice {ID}", f"notice {OTHER}"
NewContext = Callable[..., BrowserContext]


@pytest.fixture(scope="module")
def pocketed(browser: Browser) -> Iterator[tuple[Phone, Floor]]:
    """A phone with no page of ours open, for all tests here: setting one up takes longer than using it."""
    hub = Hub()
    app, floor = plant(hub)
    with served(app, hub) as address, browser.new_context() as context:
        phone = Phone(context, address)
        phone.pocket()
        yield phone, floor


@pytest.fixture
def phone(pocketed: tuple[Phone, Floor]) -> Phone:
    """Nothing is shown on it, and the notices are as they began."""
    phone, floor = pocketed
    phone.clear()
    floor.notes.clear()
    floor.warn("P2", "T2", level="urgent")
    floor.warn("P1", "F07", level="early")
    return phone


@pytest.fixture
def floor(pocketed: tuple[Phone, Floor]) -> Floor:
    return pocketed[1]


def news_of(floor: Floor, *ids: str, key: str | None = None, **changes: Any) -> list[News]:
    notices = [msgspec.structs.replace(floor.notes[each], **changes) for each in ids]
    return [News(told=Telling(change=Change.CHANGED, notice=each), attempts=1, key=key) for each in notices]


def said(floor: Floor, *ids: str, key: str | None = None, **changes: Any) -> dict[str, Any]:
    """What the outlet says to Mira's phone about these."""
    return pushed(news_of(floor, *ids, key=key, **changes), person="Mira", zone=UTC)


def test_what_is_pushed_is_shown_with_the_page_closed(phone: Phone, floor: Floor) -> None:
    phone.hears(said(floor, ID))
    (shown,) = phone.until_shown(lambda all_: len(all_) == 1)
    assert shown["title"] == "L3 P2 slot T2: supply runs out"
    assert "Bring: one tray of RF-SHIELD-22" in shown["body"]
    assert "machine's manual" in shown["body"]
    assert shown["actions"] == [["take", "I'm on it"], ["quiet", "Quiet 5 panels"]]
    assert not shown["silent"]
    assert floor.notes[ID].state == "open"


def test_a_press_takes_the_notice_in_the_persons_name_and_says_so(phone: Phone, floor: Floor) -> None:
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
    with phone.context.new_page() as page:
        page.goto(f"{phone.address}/notice/{ID}")
        page.wait_for_selector("#freshness[data-state='live']")
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


# --- another endpoint

_MOVED = """async ([state, moved]) => {
  const kept = await caches.open("earlybell-phone");
  await kept.put("/phone", new Response(JSON.stringify(state)));
  class Change extends ExtendableEvent { waitUntil(work) { this.work = work; } }
  const change = new Change("pushsubscriptionchange");
  change.newSubscription = { toJSON: () => moved };
  self.dispatchEvent(change);
  await change.work;
}"""
OLD, NEW = (Handset(f"https://push.example/send/{name}") for name in ("old", "new"))
KEPT = {
    "by": "Mira",
    "device": OLD.device,
    "outlets": ["phones-l3"],
    "key": "",
    "language": "de",
    "lost": "Lost.",
}


def test_an_endpoint_that_the_browser_changes_is_told_with_no_page_open(new_context: NewContext) -> None:
    phones, hub = MemoryPhones(), Hub()
    phones.add(OLD.row())
    app, _ = plant(hub, book=book_of(phones), public_url=None)
    with served(app, hub) as address:
        phone = Phone(new_context(), address)
        phone.pocket()
        phone.run(_MOVED, [KEPT, NEW.subscription])
        (row,) = phones.of("phones-l3")
        assert (row.device, row.person, row.language) == (NEW.device, "Mira", "de")
        assert phone.shows() == []


def test_where_that_needs_signing_in_the_phone_says_that_it_no_longer_hears(
    closed_site: tuple[str, Floor, Entrance], new_context: NewContext
) -> None:
    phone = Phone(new_context(), closed_site[0])
    phone.run(_MOVED, [KEPT, NEW.subscription])
    (shown,) = phone.shows()
    assert (shown["title"], shown["data"]) == ("Lost.", {"url": "/phone"})
