"""The road ahead: what is drawn, in which order, and that it is alive."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

from service.domain.model import Notice
from service.ports import StoreError
from service.web.stream import Hub
from tests.support.floor import Floor, Place, plant, served
from tests.support.wait import eventually

OpenPage = Callable[..., Page]


def names(page: Page) -> list[str]:
    return page.locator(".rows li:not([hidden]) .name b").all_inner_texts()


def row(page: Page, slot: str) -> object:
    return page.locator(".rows li").filter(has=page.locator(".name b", has_text=slot))


def test_the_soonest_slot_is_on_top_and_those_without_numbers_below(open_page: OpenPage) -> None:
    assert names(open_page()) == ["T2", "F07", "S1", "F11", "T1", "F09", "F31", "F08", "F12", "F33", "F15"]


def test_what_is_not_known_is_said(open_page: OpenPage) -> None:
    page = open_page()
    said = dict(zip(names(page), page.locator(".rows .why").all_inner_texts(), strict=True))
    assert said["F12"] == "quantity unknown"
    assert said["F33"] == "quantity and usage unknown"
    assert said["F15"] == "not used by this recipe"
    assert said["F07"] == ""


def test_a_row_says_panels_doubt_clock_and_when_it_may_be_exchanged(open_page: OpenPage) -> None:
    page = open_page(width=1440)
    first = page.locator(".rows li").first
    assert first.locator(".panels").inner_text() == "2 panels"
    assert first.locator(".when").inner_text() == "07:14"
    expect(first.locator(".tag")).to_have_text(["urgent", "stop in 1 panel", "at a panel boundary only"])
    assert page.locator(".rows li").nth(1).locator(".doubt").inner_text() == "6–11"


def test_the_mark_stands_at_p50_and_the_whisker_from_p05_to_p95(open_page: OpenPage) -> None:
    page = open_page(width=1440)
    page.locator(".horizon label", has_text="50").click()
    picture = page.locator(".rows li").nth(1).locator(".picture")
    assert picture.locator(".mark").get_attribute("x") == "18.00%"  # 9 of 50
    whisker = picture.locator("line.whisker").first
    assert (whisker.get_attribute("x1"), whisker.get_attribute("x2")) == ("12.00%", "22.00%")  # 6 and 11
    assert picture.locator("line.lead").get_attribute("x1") == "20.00%"


def test_where_the_order_ends_the_road_ends(floor: Floor, open_page: OpenPage) -> None:
    for place in floor.places:
        place.needed = 30
    page = open_page(width=1440)
    page.locator(".horizon label", has_text="50").click()
    assert page.locator(".axis .end").first.text_content() == "order ends"
    assert page.locator(".picture .way").first.get_attribute("width") == "60.00%"
    assert page.locator(".picture svg.end").first.get_attribute("x") == "60.00%"
    tags = page.locator(".rows li").filter(has_text="T1").locator(".tags")
    assert "outlasts the order" in tags.inner_text()


def test_what_lies_beyond_the_horizon_is_an_arrow_until_a_person_looks_further(open_page: OpenPage) -> None:
    page = open_page()
    page.locator(".horizon label", has_text="20").first.click()
    far = page.locator(".rows li").filter(has_text="C-100N-0402")
    expect(far.locator(".beyond")).to_have_count(1)
    page.locator(".horizon label", has_text="1,000").click()
    expect(far.locator(".beyond")).to_have_count(0)
    assert far.locator(".mark").get_attribute("x") == "19.50%"


def test_a_forecast_moves_the_mark_without_a_reload(floor: Floor, open_page: OpenPage) -> None:
    page = open_page(width=1440)
    page.evaluate("window.sameLoad = true")
    mark = page.locator(".rows li").filter(has_text="CONN-12W").locator(".mark")
    before = mark.get_attribute("x")
    floor.run(5)
    expect(page.locator(".rows li").filter(has_text="CONN-12W").locator(".panels")).to_have_text("18 panels")
    assert mark.get_attribute("x") != before
    assert page.evaluate("window.sameLoad") is True


def test_rows_change_places_when_another_slot_is_sooner(floor: Floor, open_page: OpenPage) -> None:
    page = open_page()
    focused = page.locator(".rows .row").nth(4)
    focused.focus()
    floor.place("P2", "T1").left = 1
    floor.run(0)
    expect(page.locator(".rows li .name b").first).to_have_text("T1")
    assert page.evaluate("document.activeElement.querySelector('.name b').textContent") == "T1"


def test_only_the_soonest_are_shown_until_a_person_asks_for_all(floor: Floor, open_page: OpenPage) -> None:
    floor.places += [
        Place(line="L3", station="P1", slot=f"X{n:02}", part="R", usage=1, left=60 + n) for n in range(30)
    ]
    page = open_page()
    assert len(names(page)) == 20
    page.get_by_role("button", name="Show all 41 slots").click()
    expect(page.locator(".rows li:not([hidden])")).to_have_count(41)


def test_what_is_sure_is_drawn_to_p05_and_now_is_a_line(open_page: OpenPage) -> None:
    page = open_page(width=1440)
    page.locator(".horizon label", has_text="50").click()
    picture = page.locator(".rows li").nth(1).locator(".picture")
    assert picture.locator(".sure").get_attribute("width") == "12.00%"  # 6 of 50
    assert picture.locator("line.now").get_attribute("x1") == "0.00%"
    assert page.locator(".axis .in-work").get_attribute("width") == "2.00%"  # one panel


def test_a_tray_shows_its_panel_boundaries_and_the_last_before_it_may_be_empty(open_page: OpenPage) -> None:
    page = open_page(width=1440)
    page.locator(".horizon label", has_text="50").click()
    tray = page.locator(".rows li").filter(has_text="MCU-48Q")
    assert tray.locator(".boundary").count() == 38
    assert tray.locator("svg.gate").get_attribute("x") == "76.00%"  # 38 of 50
    reel = page.locator(".rows li").filter(has_text="R-10K-0402")
    assert reel.locator(".boundary, .gate").count() == 0


def test_boundaries_too_close_to_be_told_apart_are_not_drawn(open_page: OpenPage) -> None:
    page = open_page(width=360)
    page.locator(".horizon label", has_text="200").click()
    tray = page.locator(".rows li").filter(has_text="MCU-48Q")
    expect(tray.locator("svg.gate")).to_have_attribute("x", "19.00%")
    assert tray.locator(".boundary").count() == 0


def test_a_tray_that_may_be_empty_already_has_no_last_boundary(floor: Floor, open_page: OpenPage) -> None:
    floor.place("P2", "T2").left = 0
    assert open_page().locator(".rows li").first.locator("svg.gate").count() == 0


OVERLAPS = """(kind) => {
  const boxes = [...document.querySelectorAll(`.axis ${kind}`)].map((e) => e.getBoundingClientRect());
  boxes.sort((a, b) => a.left - b.left);
  return boxes.slice(1).filter((box, i) => box.left < boxes[i].right + 2).length;
}"""


@pytest.mark.parametrize("width", [360, 768, 1440])
def test_the_labels_of_the_scale_never_touch(floor: Floor, open_page: OpenPage, width: int) -> None:
    page = open_page(width=width)
    for hall in ("dark", "bright"):
        page.get_by_label("Light here").select_option(hall)
        for horizon in ("20", "200"):
            page.locator(".horizon label", has=page.get_by_text(horizon, exact=True)).click()
            floor.run(0)
            expect(page.locator(".axis .panels").last).to_be_visible()
            page.evaluate("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
            for kind in (".panels", ".clock", ".edge"):
                assert page.evaluate(OVERLAPS, kind) == 0, (hall, horizon, kind)
            assert page.locator(".axis .clock").count() >= 3


def test_markup_in_names_is_shown_as_it_is(floor: Floor, open_page: OpenPage) -> None:
    nasty = "<img src=x onerror=\"document.title='owned'\"><b>bold</b>"
    floor.place("P2", "T2").part = nasty
    floor.warn("P2", "T2", level="empty")
    page = open_page()
    expect(page.locator(".notice .supply").first).to_have_text(nasty)
    expect(page.locator(".rows .supply").first).to_have_text(nasty)
    assert page.locator("main img").count() == 0
    assert "owned" not in page.title()


def test_stations_say_what_the_tower_says_and_whether_they_are_linked(open_page: OpenPage) -> None:
    text = open_page().locator(".stations li").first.inner_text()
    assert "P1 · a supply runs low" in text
    assert "yellow flashing, green on" in text
    assert "Linked" in text
    assert "270 of 480 panels" in text


def test_when_nothing_needs_anyone_the_page_says_what_comes_next(floor: Floor, open_page: OpenPage) -> None:
    for notice_id in list(floor.notes):
        floor.close(notice_id, by="Mira", reason="done")
    assert open_page().locator("#calm").inner_text() == "Nothing. Next is P2 T2 in 2 panels, about 07:14."


def test_a_line_can_be_looked_at_alone(floor: Floor, open_page: OpenPage) -> None:
    floor.places.append(Place(line="L4", station="N1", slot="F1", part="R-1K", left=40))
    page = open_page()
    expect(page.locator("#lines section")).to_have_count(2)
    page.get_by_role("link", name="Only this line").last.click()
    expect(page.locator("#lines section")).to_have_count(1)
    assert names(page) == ["F1"]


def test_a_line_heard_for_the_first_time_appears_by_itself(floor: Floor, open_page: OpenPage) -> None:
    page = open_page()
    floor.places.append(Place(line="L4", station="N1", slot="F1", part="R-1K", left=40))

    def is_shown() -> bool:
        floor.run(0)
        page.evaluate("new Promise(requestAnimationFrame)")
        return page.locator("#lines section").count() == 2

    eventually(is_shown, message="the line did not appear")


def test_a_dead_server_shows_and_so_does_its_return(
    browser: object, new_context: Callable[..., object]
) -> None:
    hub = Hub()
    app, _ = plant(hub)
    page: Page = new_context().new_page()  # type: ignore[attr-defined]
    with served(app, hub) as address:
        page.goto(address)
        page.wait_for_selector("#freshness[data-state='live']")
        page.wait_for_selector(".rows li")
        port = int(address.rsplit(":", 1)[1])
    freshness = page.locator("#freshness")
    expect(freshness).to_have_attribute("data-state", "lost", timeout=15_000)
    expect(freshness).to_contain_text("Not connected. What you see is")
    expect(page.locator("#announce")).to_have_text("Not connected. What you see gets old.")
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    expect(page.locator(".rows li").first).to_be_visible()
    again = Hub()
    app, floor = plant(again)
    floor.place("P2", "T2").left = 7
    with served(app, again, port=port):
        expect(freshness).to_have_attribute("data-state", "live", timeout=15_000)
        expect(page.locator(".rows li .panels").first).to_have_text("7 panels")
        expect(page.locator("#announce")).to_have_text("Connected again.")


def test_a_store_that_is_down_is_no_reason_to_look_fresh(floor: Floor, open_page: OpenPage) -> None:
    page = open_page(clock=True)
    floor.broken = StoreError("down")
    floor.hub.publish("resync", b"{}")
    expect(page.locator("#freshness")).to_have_attribute("data-state", "lost")
    floor.broken = None
    page.clock.fast_forward(60_000)
    expect(page.locator("#freshness")).to_have_attribute("data-state", "live")


def test_after_a_resync_everything_is_fetched_again(floor: Floor, open_page: OpenPage) -> None:
    page = open_page()
    floor.place("P2", "T2").left = 5
    floor.hub.publish("resync", b"{}")
    expect(page.locator(".rows li .panels").first).to_have_text("5 panels")


def test_without_a_stream_the_page_fetches_again_and_says_so(new_context: Callable[..., object]) -> None:
    hub = Hub(listeners=0)
    app, floor = plant(hub)
    page: Page = new_context().new_page()  # type: ignore[attr-defined]
    with served(app, hub) as address:
        page.clock.install()
        page.goto(address)
        expect(page.locator("#freshness")).to_have_text("Fetched every 10 s")
        expect(page.locator(".rows li .panels").first).to_have_text("2 panels")
        floor.place("P2", "T2").left = 1
        page.clock.fast_forward(10_000)
        expect(page.locator(".rows li .panels").first).to_have_text("1 panel")


def test_a_notice_without_a_slot_stands_among_the_others(floor: Floor, open_page: OpenPage) -> None:
    said = "The gateway of P1 fell silent at 07:10."
    at = "2026-03-02T06:10:00.000Z"
    page = open_page()
    floor.tell(
        Notice(
            id="s1", kind="silent", line="L3", station="P1", slot=None, part=None, supply_kind=None,
            boundary_only=False, level="urgent", state="open", opened_at=at, changed_at=at,
            panels_to_empty=None, empty_at=None, message=said,
        )
    )  # fmt: skip
    card = page.locator("#notice-s1")
    expect(card).to_contain_text(said)
    expect(card.get_by_role("button")).to_have_text(["I'm on it", "Quiet 30 minutes", "Close…"])
