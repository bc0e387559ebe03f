"""How the page presents itself: at every width, to every sense, and to a thin connection."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import BrowserContext, Page

from tests.support.floor import Floor, Place

WIDTHS = [360, 768, 1440]
OpenPage = Callable[..., Page]


def make_busy(floor: Floor) -> None:
    """Every level and state at once, a second line, and names that are far too long."""
    floor.place("P2", "T2").empty = True
    floor.place("P2", "T2").left = 0
    floor.warn("P2", "T2", level="empty")
    floor.warn("P2", "T1", level="urgent")
    floor.warn("P1", "F11", level="early")
    floor.take("n-L3-P2-T1", by="Mira")
    floor.quiet("n-L3-P1-F11", by="Tomas", panels=5, until=None)
    endless = "W" * 64
    floor.places.append(
        Place(line=endless, station=endless, slot=endless, part="P" * 256, left=60, needed=20)
    )
    floor.warn(endless, endless, level="early", line=endless)


def open_a_row(page: Page) -> None:
    page.locator(".rows summary").nth(1).click()


def ask_for_a_name(page: Page) -> None:
    page.get_by_role("button", name="I'm on it").first.click()


def ask_for_a_reason(page: Page) -> None:
    page.get_by_role("button", name="Close…").first.click()


def ask_whether_it_is_loaded(page: Page) -> None:
    page.get_by_role("button", name="Loaded a new one").first.click()


VIEWS: dict[str, tuple[str, str | None, Callable[[Page], None] | None]] = {
    "everything": ("/", None, None),
    "a row": ("/", None, open_a_row),
    "a name": ("/", None, ask_for_a_name),
    "a reason": ("/", "Mira", ask_for_a_reason),
    "loaded": ("/", "Mira", ask_whether_it_is_loaded),
    "one notice": ("/notice/n-L3-P2-T2", None, None),
    "one line": ("/?line=L3", None, None),
}


@pytest.fixture(params=VIEWS, ids=lambda view: view.replace(" ", "_"))
def view(request: pytest.FixtureRequest, floor: Floor, open_page: OpenPage) -> Callable[..., Page]:
    path, name, then = VIEWS[request.param]
    make_busy(floor)

    def show(**options: Any) -> Page:
        page = open_page(path, name=name, **options)
        if then is not None:
            then(page)
        return page

    return show


@pytest.mark.parametrize("width", WIDTHS)
def test_nothing_has_to_be_scrolled_sideways(view: Callable[..., Page], width: int) -> None:
    page = view(width=width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate(
        "[...document.querySelectorAll('dialog')].every((d) => d.scrollWidth <= d.clientWidth)"
    )


@pytest.mark.parametrize(("width", "scheme"), [(360, "light"), (1440, "dark")])
def test_axe_core_finds_nothing(view: Callable[..., Page], width: int, scheme: str) -> None:
    """Outside check: axe-core, with its WCAG 2.2 rules and its best practices."""
    assert Axe().run(view(width=width, scheme=scheme)).generate_report().startswith("Found 0 ")


def test_axe_core_finds_nothing_on_a_wrong_turn(
    site: Any, new_context: Callable[..., BrowserContext]
) -> None:
    page = new_context().new_page()
    assert page.goto(site[0] + "/nowhere").status == 404  # type: ignore[union-attr]
    assert Axe().run(page).generate_report().startswith("Found 0 ")
    assert page.evaluate("document.documentElement.scrollWidth") <= 360


TOO_SMALL = """() => [...document.querySelectorAll("button, a, summary, input, label, select")]
  .filter((e) => e.checkVisibility() && e.getBoundingClientRect().left >= 0 && !e.closest("label input"))
  .map((e) => [e.outerHTML.slice(0, 80), e.getBoundingClientRect()])
  .filter(([, box]) => box.width < 47.9 || box.height < 47.9)
  .map(([what, box]) => [what, box.width, box.height])"""


def test_everything_to_press_is_large_enough_for_a_glove(view: Callable[..., Page]) -> None:
    assert view(width=360).evaluate(TOO_SMALL) == []


def test_a_first_view_is_light_and_asks_nobody_else(
    site: tuple[str, Floor], new_context: Callable[..., BrowserContext]
) -> None:
    page = new_context().new_page()
    asked: list[str] = []
    sizes: list[float] = []
    page.on("request", lambda request: asked.append(request.url))
    wire = page.context.new_cdp_session(page)
    wire.send("Network.enable")
    wire.on("Network.loadingFinished", lambda event: sizes.append(event["encodedDataLength"]))
    page.goto(site[0])
    page.wait_for_selector("#freshness[data-state='live']")
    page.wait_for_selector(".rows li")
    assert [url for url in asked if not url.startswith(site[0] + "/")] == []
    assert len(sizes) >= len(asked) - 2  # all but the stream and perhaps one that has just begun
    print(f"first view: {sum(sizes):.0f} bytes in {len(asked)} requests")
    assert sum(sizes) < 40_000


def test_without_colour_each_level_has_its_own_shape_and_word(floor: Floor, open_page: OpenPage) -> None:
    make_busy(floor)
    page = open_page()
    levels = page.locator(".notice .level").all()
    pairs = {(level.inner_text(), level.locator("svg path").get_attribute("d")) for level in levels}
    assert {word for word, _ in pairs} == {"Empty", "Urgent", "Early"}
    assert len({shape for _, shape in pairs}) == 3


def test_without_javascript_the_page_says_so(site: Any, new_context: Callable[..., BrowserContext]) -> None:
    page = new_context(java_script_enabled=False).new_page()
    page.goto(site[0] + "/notice/n-L3-P2-T2")
    assert "RF-SHIELD-22 runs empty" in page.locator("noscript").inner_text()
