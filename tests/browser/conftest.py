"""A real browser on a real server; each test gets a plant and a browser context of its own."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from typing import Any

import pytest
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page

from service.web.stream import Hub
from tests.support.access import Entrance
from tests.support.chromium import PATIENCE_MS, chromium
from tests.support.floor import Floor, plant, served

OpenPage = Callable[..., Page]


def height_of(width: int) -> int:
    return 780 if width < 700 else 900


def _refuse_violations(message: ConsoleMessage) -> None:
    if "Content Security Policy" in message.text:
        pytest.fail(f"the page broke its own policy: {message.text}")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    # Not for the session: Playwright keeps an event loop in this thread, where other tests want their own.
    with chromium() as browser:
        yield browser


@pytest.fixture
def site() -> Iterator[tuple[str, Floor]]:
    hub = Hub()
    app, floor = plant(hub)
    with served(app, hub) as address:
        yield address, floor


@pytest.fixture
def closed_site() -> Iterator[tuple[str, Floor, Entrance]]:
    """The same where people must say who they are; Mira may act, Tomas may look."""
    hub, entrance = Hub(), Entrance()
    entrance.knows("Mira", "act")
    entrance.knows("Tomas", "read")
    app, floor = plant(hub, door=entrance.door, public_url=None, session_check_seconds=0.2)
    with served(app, hub) as address:
        yield address, floor, entrance


@pytest.fixture
def floor(site: tuple[str, Floor]) -> Floor:
    return site[1]


@pytest.fixture
def new_context(browser: Browser) -> Iterator[Callable[..., BrowserContext]]:
    """``new_context(width=360, scheme="dark")``: a device of its own, with nothing remembered."""
    with ExitStack() as stack:

        def make(*, width: int = 360, scheme: Any = "light", **options: Any) -> BrowserContext:
            viewport = {"width": width, "height": height_of(width)}
            context = browser.new_context(viewport=viewport, color_scheme=scheme, **options)  # type: ignore[arg-type]
            context.set_default_timeout(PATIENCE_MS)
            stack.callback(context.close)
            return context

        yield make


class Device:
    """A browser context that the tests of a module use one after another; nothing is remembered between them.

    A context of its own costs each test a new renderer, twice what the page itself costs.
    """

    def __init__(self, browser: Browser) -> None:
        self._context = browser.new_context(viewport={"width": 360, "height": 780})
        self._context.set_default_timeout(PATIENCE_MS)
        self._anchor: Page | None = None
        self.lent = False

    def lend(self, address: str, *, width: int = 360, scheme: Any = "light") -> Page:
        """A tab for ``address``, as in a context of its own."""
        self.lent = True
        if self._anchor is None:  # a page of our own that stays keeps the renderer
            self._anchor = self._context.new_page()
            self._anchor.goto(address + "/healthz")
        page = self._context.new_page()
        page.set_viewport_size({"width": width, "height": height_of(width)})
        page.emulate_media(color_scheme=scheme)
        wire = self._context.new_cdp_session(page)
        wire.send("Storage.clearDataForOrigin", {"origin": address, "storageTypes": "all"})
        wire.detach()
        return page

    def forget(self) -> None:
        if not self.lent:
            return
        self.lent = False
        for page in self._context.pages:
            if page is not self._anchor:
                page.close()
        self._context.clear_cookies()
        self._context.clear_permissions()
        self._context.set_offline(False)


@pytest.fixture(scope="module")
def shared_device(browser: Browser) -> Device:
    return Device(browser)


@pytest.fixture
def device(shared_device: Device) -> Iterator[Device]:
    yield shared_device
    shared_device.forget()


@pytest.fixture
def new_page(device: Device, new_context: Callable[..., BrowserContext]) -> OpenPage:
    """``new_page(address, width=360)``: an empty tab of a device where nothing is remembered. The first of a
    test is on the device that the module shares; further ones, and those with other options, on their own."""

    def new(address: str, **options: Any) -> Page:
        if device.lent or options.keys() - {"width", "scheme"}:
            return new_context(**options).new_page()
        return device.lend(address, **options)

    return new


@pytest.fixture
def open_page(
    site: tuple[str, Floor], new_page: OpenPage, new_context: Callable[..., BrowserContext]
) -> OpenPage:
    """``open_page("/", width=360)``: the page, live; any error on its console fails the test."""

    def open_(path: str = "/", *, name: str | None = None, clock: bool = False, **options: Any) -> Page:
        # A clock is the whole context's.
        page = new_context(**options).new_page() if clock else new_page(site[0], **options)
        page.on("pageerror", lambda error: pytest.fail(f"the page failed: {error}"))
        page.on("console", _refuse_violations)
        if name is not None:
            page.add_init_script(f"localStorage.setItem('earlybell.name', {name!r})")
        if clock:
            page.clock.install()  # it runs as ever, and can be put forward
        page.goto(site[0] + path)
        page.wait_for_selector("#freshness[data-state='live']")
        page.wait_for_selector("#lines > *, .single > .notice, #sheet:not([hidden])")
        return page

    return open_
