"""The server goes and comes back under open pages: each shows what the API says, soon after."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import ExitStack

import httpx
import pytest
from playwright.sync_api import BrowserContext, Page

from service.web.stream import Hub
from tests.support.floor import Floor, plant, served
from tests.support.ports import free_port
from tests.support.wait import eventually

SOON = 2.0
"""Seconds after the page's stream is open again; the browser waits up to two before it tries."""


def shown(page: Page) -> dict[str, str]:
    """Slot and its panels, as each row says them."""
    rows: dict[str, str] = page.evaluate(
        """() => Object.fromEntries([...document.querySelectorAll('.rows .row')].map(
            (row) => [row.textContent.match(/[A-Z]\\d+/)[0], row.textContent.replace(/\\s+/g, ' ')]))"""
    )
    return rows


def agrees(page: Page, url: str) -> bool:
    """Whether every slot with a number stands on the page with the API's number."""
    slots = httpx.get(f"{url}/api/v1/lines/L3/slots", trust_env=False).json()
    rows = shown(page)
    known = [slot for slot in slots if slot["panels_to_empty"] and slot["state"] != "idle"]
    return bool(known) and all(
        slot["slot"] in rows and str(slot["panels_to_empty"]["p50"]) in rows[slot["slot"]] for slot in known
    )


def use_up(floor: Floor, panels: int) -> None:
    """What happened while nobody could say it."""
    for place in floor.places:
        if place.left is not None and place.usage:
            place.left = max(0, place.left - int(panels * place.usage))


def test_two_pages_show_what_the_api_says_soon_after_a_restart(
    new_context: Callable[..., BrowserContext],
) -> None:
    port, hub = free_port(), Hub()
    app, floor = plant(hub)
    with ExitStack() as stack:
        running = stack.enter_context(ExitStack())
        url = running.enter_context(served(app, hub, port=port))
        pages = [new_context().new_page(), new_context().new_page()]
        for page in pages:
            page.goto(url)
            page.wait_for_selector("#freshness[data-state='live']")
        eventually(lambda: all(agrees(page, url) for page in pages), message="not even before")
        floor.run(1)
        eventually(lambda: all(agrees(page, url) for page in pages), message="no live change arrived")
        running.close()

        use_up(floor, 3)
        again = Hub()
        app, _ = plant(again, floor.places)
        stack.enter_context(served(app, again, port=port))
        eventually(lambda: again.listening == len(pages), timeout=15, message="no page came back")
        begin = time.monotonic()
        eventually(lambda: all(agrees(page, url) for page in pages), timeout=15, message="they differ")
        print(f"both pages agreed {time.monotonic() - begin:.2f} s after their streams were open again")
        assert time.monotonic() - begin < SOON


@pytest.mark.parametrize(
    "last_id", ["0", "99999999999999999999", "x", "-1", "1e9", "１２", "'; --", "9" * 300]
)
def test_an_id_that_is_old_or_nonsense_leads_to_everything_anew(
    site: tuple[str, Floor], last_id: str
) -> None:
    headers = {b"last-event-id": last_id.encode()}
    with httpx.stream("GET", f"{site[0]}/api/v1/stream", headers=headers, trust_env=False) as stream:
        seen = ""
        for piece in stream.iter_text():
            seen += piece
            if "event: resync" in seen:
                return
