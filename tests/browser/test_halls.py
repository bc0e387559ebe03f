"""Dark hall and bright hall: as the device says, or as a person chose on it; and other needs of eyes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests.support.floor import Floor

OpenPage = Callable[..., Page]
SLOT = "/line/L3/station/P2/slot/T2"
GROUND = "getComputedStyle(document.body).backgroundColor"
WHITE = """() => [...document.querySelectorAll("body *")].filter((e) => {
  const style = getComputedStyle(e);
  return [style.color, style.backgroundColor, style.fill].some((c) => c === "rgb(255, 255, 255)");
}).length"""


def brightness(page: Page) -> int:
    """0 to 255, of the ground."""
    return int(page.evaluate(f"Math.max(...{GROUND}.match(/\\d+/g).slice(0, 3).map(Number))"))


@pytest.mark.parametrize(("scheme", "is_dark"), [("light", False), ("dark", True)])
def test_the_device_decides_until_a_person_does(open_page: OpenPage, scheme: str, is_dark: bool) -> None:
    page = open_page(scheme=scheme)
    assert (brightness(page) < 60) == is_dark
    expect(page.get_by_label("Light here")).to_have_value("device")


@pytest.mark.parametrize(
    ("scheme", "hall", "is_dark"), [("light", "Dark hall", True), ("dark", "Bright hall", False)]
)
def test_what_a_person_chose_holds_on_every_page_and_after_a_reload(
    open_page: OpenPage, scheme: str, hall: str, is_dark: bool
) -> None:
    page = open_page(scheme=scheme)
    page.get_by_label("Light here").select_option(hall)
    assert (brightness(page) < 60) == is_dark
    for path in ("/", SLOT, "/nowhere"):
        page.goto(page.url.split("/", 3)[0] + "//" + page.url.split("/", 3)[2] + path)
        assert (brightness(page) < 60) == is_dark
        expect(page.get_by_label("Light here")).to_have_value(hall.split(maxsplit=1)[0].lower())
    page.get_by_label("Light here").select_option("As the device")
    assert (brightness(page) < 60) == (scheme == "dark")


@pytest.mark.parametrize("path", ["/", SLOT])
def test_a_dark_hall_has_no_pure_white(floor: Floor, open_page: OpenPage, path: str) -> None:
    floor.ask("P2", "T2")
    page = open_page(path)
    assert page.evaluate(WHITE) > 0
    page.get_by_label("Light here").select_option("Dark hall")
    assert page.evaluate(WHITE) == 0


@pytest.mark.parametrize(("width", "at_least"), [(360, 18), (1440, 20)])
def test_a_bright_hall_is_read_from_a_distance(open_page: OpenPage, width: int, at_least: int) -> None:
    page = open_page(width=width)
    page.get_by_label("Light here").select_option("Bright hall")
    assert page.evaluate("parseFloat(getComputedStyle(document.body).fontSize)") >= at_least
    assert page.evaluate(GROUND) == "rgb(255, 255, 255)"


@pytest.mark.parametrize(("motion", "name"), [("no-preference", "beacon"), ("reduce", "none")])
def test_only_what_is_empty_moves_and_only_where_movement_is_welcome(
    floor: Floor, open_page: OpenPage, motion: Any, name: str
) -> None:
    floor.warn("P2", "T2", level="empty")
    page = open_page(reduced_motion=motion)
    moving = "(e) => getComputedStyle(e).animationName"
    assert page.locator("#notice-n-L3-P2-T2 .level .icon").evaluate(moving) == name
    assert page.locator("#notice-n-L3-P1-F07 .level .icon").evaluate(moving) == "none"


@pytest.mark.parametrize("path", ["/", SLOT])
def test_with_a_systems_own_colours_the_road_is_still_drawn(open_page: OpenPage, path: str) -> None:
    page = open_page(path, forced_colors="active")
    ground = page.evaluate(GROUND)
    for sign in ("line.now", ".whisker", ".sure"):
        style = page.locator(f".picture {sign}, .legend {sign}").first
        colours = style.evaluate("(e) => [getComputedStyle(e).stroke, getComputedStyle(e).fill]")
        assert any(colour not in {ground, "none"} for colour in colours), sign


@pytest.mark.parametrize("path", ["/", SLOT])
def test_on_paper_there_is_nothing_to_press_and_nothing_dark(open_page: OpenPage, path: str) -> None:
    page = open_page(path, scheme="dark")
    page.get_by_label("Light here").select_option("Dark hall")
    page.emulate_media(media="print")
    assert page.locator("button:visible, select:visible").count() == 0
    assert brightness(page) > 200
    assert page.locator(".picture .way").first.is_visible()
