"""Listening to a real broker from the page, and the draft tried out there, beside a line that goes on."""

from __future__ import annotations

import json
import re
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass

import pytest
from playwright.sync_api import expect

from service.guest import Guest
from service.settings import Mqtt, Settings
from service.web.stream import Hub
from tests.browser.conftest import OpenPage
from tests.browser.test_looks import refuse_what_looks_wrong
from tests.support.factory import Gateway
from tests.support.floor import plant, served
from tests.support.mosquitto import Mosquitto


@dataclass(frozen=True, slots=True)
class Hall:
    address: str
    gateway: Gateway


@pytest.fixture
def hall(broker: Mosquitto) -> Iterator[Hall]:
    """A line whose panels go by, said under a root that nobody configured."""
    settings = Settings(mqtt=Mqtt(url=f"mqtt://{broker.host}:{broker.port}"))
    guest = Guest(settings, counted=dict, clock=lambda: time.time_ns() // 1000)
    gateway, over, hub = Gateway(broker.port), threading.Event(), Hub()

    def work() -> None:
        panels = 0
        while not over.wait(0.1):
            panels += 1
            body = {
                "session": "a",
                "seq": panels,
                "panels": panels,
                "slots": {"F07": {"placed": 18 * panels}},
            }
            gateway.send_raw("east/L3/P1/count", json.dumps(body).encode())

    line = threading.Thread(target=work)
    line.start()
    app, _ = plant(hub, guest=guest)
    with served(app, hub) as address:
        yield Hall(address, gateway)
    over.set()
    line.join()
    gateway.close()
    guest.stop()


def test_what_is_heard_is_shown_drafted_and_tried(hall: Hall, new_page: OpenPage) -> None:
    page = new_page(hall.address)
    page.on("pageerror", lambda error: pytest.fail(f"the page failed: {error}"))
    page.goto(f"{hall.address}/listen")
    page.locator("#at").select_option("mqtt")
    page.get_by_role("button", name="Listen").click()
    expect(page.locator("#said")).to_have_text(re.compile(r"Listening: \d\d+ messages so far\."))
    page.get_by_role("button", name="That is enough").click()
    expect(page.locator("#dialects")).to_have_text("Earlybell's own contract: east")
    expect(page.locator("#draft")).to_have_value(re.compile('root = "east"'))
    page.get_by_role("button", name="Try it out").click()
    expect(page.locator("tbody tr", has_text="L3 P1 F07")).to_have_text(re.compile(r"F07\d{2,}–"))
    refuse_what_looks_wrong(page)
    page.get_by_role("button", name="End the trial").click()
    expect(page.get_by_role("button", name="Try it out")).to_be_visible()


def test_a_draft_that_does_not_fit_says_where(hall: Hall, new_page: OpenPage) -> None:
    page = new_page(hall.address)
    page.goto(f"{hall.address}/listen")
    page.locator("#draft").fill('[[source]]\nname = "east"\nformat = "native"\nrot = "east"')
    page.get_by_role("button", name="Try it out").click()

    expect(page.locator("#tried-said")).to_contain_text("there is no key rot (did you mean root?)")
