"""How the page presents itself: at every width, to every sense, and to a thin connection."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe, AxeResults
from playwright.sync_api import BrowserContext, Page, expect

from tests.support.access import PASSWORD
from tests.support.floor import Floor, Place
from tests.support.wait import eventually

WIDTHS = [360, 768, 1440]
AXE_WIDTHS = [360, 1440]
HALLS = ["dark", "bright"]
SLOT = "/line/L3/station/P2/slot/T2"
OpenPage = Callable[..., Page]


def make_busy(floor: Floor) -> None:
    """Every level and state at once, questions, a second line, and names that are far too long."""
    floor.place("P2", "T2").empty = True
    floor.place("P2", "T2").left = 0
    floor.warn("P2", "T2", level="empty")
    floor.warn("P2", "T1", level="urgent")
    floor.warn("P1", "F11", level="early")
    floor.take("n-L3-P2-T1", by="Mira")
    floor.quiet("n-L3-P1-F11", by="Tomas", panels=5, until=None)
    floor.ask("P2", "F31")
    floor.ask("P2", "T2")
    endless = "W" * 64
    floor.places.append(
        Place(line=endless, station=endless, slot=endless, part="P" * 256, left=60, needed=20)
    )
    floor.warn(endless, endless, level="early", line=endless)


def ask_for_a_name(page: Page) -> None:
    page.get_by_role("button", name="I'm on it").first.click()


def ask_for_a_reason(page: Page) -> None:
    page.get_by_role("button", name="Close…").first.click()


def ask_whether_it_is_loaded(page: Page) -> None:
    page.get_by_role("button", name="Loaded a new one").first.click()


def ask_for_a_number(page: Page) -> None:
    page.get_by_role("button", name="Counted what is left", exact=True).click()


def lose_the_connection(page: Page) -> None:
    page.route("**/*", lambda route: route.abort())
    page.clock.fast_forward(20_000)
    page.wait_for_selector("#freshness[data-state='lost']")


VIEWS: dict[str, tuple[str, str | None, Callable[[Page], None] | None]] = {
    "everything": ("/", None, None),
    "a name": ("/", None, ask_for_a_name),
    "a reason": ("/", "Mira", ask_for_a_reason),
    "loaded": ("/", "Mira", ask_whether_it_is_loaded),
    "lost": ("/", "Mira", lose_the_connection),
    "one notice": ("/notice/n-L3-P2-T2", None, None),
    "one question": ("/notice/q-L3-P2-F31", None, None),
    "one line": ("/?line=L3", None, None),
    "a slot": (SLOT, None, None),
    "a slot without numbers": ("/line/L3/station/P2/slot/F33", None, None),
    "a slot with endless names": ("/line/{0}/station/{0}/slot/{0}".format("W" * 64), None, None),
    "a number": (SLOT, "Mira", ask_for_a_number),
    "a lost slot": (SLOT, "Mira", lose_the_connection),
}


@pytest.fixture(params=VIEWS, ids=lambda view: view.replace(" ", "_"))
def view(request: pytest.FixtureRequest, floor: Floor, open_page: OpenPage) -> Page:
    path, name, then = VIEWS[request.param]
    make_busy(floor)
    page = open_page(path, name=name, clock=then is not None)
    if then is not None:
        then(page)
    return page


@pytest.fixture
def calm(floor: Floor, open_page: OpenPage) -> Page:
    for notice_id in list(floor.notes):
        floor.close(notice_id, by="Mira", reason="done")
    return open_page()


@pytest.fixture
def wrong_turn(site: tuple[str, Floor], new_page: OpenPage) -> Page:
    page = new_page(site[0])
    page.goto(site[0] + "/line/L3/station/P9/slot/none")
    return page


def in_each_light(page: Page, widths: Sequence[int] = WIDTHS) -> Iterator[str]:
    """The page as it is, at every width in both halls."""
    for width in widths:
        page.set_viewport_size({"width": width, "height": 740 if width < 700 else 900})
        for hall in HALLS:
            page.evaluate("(hall) => { document.documentElement.dataset.hall = hall; }", hall)
            page.evaluate("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
            yield f"{width} px, {hall} hall"


SIDEWAYS = """() => [document.documentElement, ...document.querySelectorAll("dialog")]
  .filter((e) => e.scrollWidth > e.clientWidth).map((e) => [e.tagName, e.scrollWidth, e.clientWidth])"""

# No short word is broken, and each line of text lies inside the window and inside everything that clips it.
CUT = """() => {
  const cut = [];
  const top = document.querySelector("dialog") ?? document.body;
  const walker = document.createTreeWalker(top, NodeFilter.SHOW_TEXT);
  const apart = ".unseen, .skip, select, template, noscript, .pic-box, .wide"; // scroll by themselves
  const clips = (e) => /hidden|clip/.test(getComputedStyle(e).overflowX + getComputedStyle(e).overflowY);
  while (walker.nextNode()) {
    const text = walker.currentNode;
    const own = text.parentElement;
    if (!text.data.trim() || own.closest(apart) || !own.checkVisibility()) continue;
    const range = document.createRange();
    for (const word of text.data.matchAll(/[^\\s-]+/g)) {
      if (word[0].length > 14) continue;
      range.setStart(text, word.index);
      range.setEnd(text, word.index + word[0].length);
      const tops = new Set([...range.getClientRects()].map((line) => Math.round(line.top)));
      if (tops.size > 1) cut.push([`broken: ${word[0]}`, text.data.slice(0, 40)]);
    }
    range.selectNodeContents(text);
    const box = range.getBoundingClientRect();
    let room = { left: 0, right: innerWidth, top: -Infinity, bottom: Infinity };
    for (let e = own; e && e !== document.body; e = e.parentElement) {
      if (clips(e) && !(e instanceof SVGElement)) room = e.getBoundingClientRect();
      const inside = box.left >= room.left - 1 && box.right <= room.right + 1 && box.top >= room.top - 1 &&
        box.bottom <= room.bottom + 1;
      if (!inside) { cut.push([text.data.slice(0, 40), box.left, box.right]); break; }
    }
  }
  return cut;
}"""

VIOLATIONS = "axe.run({ resultTypes: ['violations'] }).then(({ violations }) => ({ violations }))"

TOO_SMALL = """() => [...document.querySelectorAll("button, a, summary, input, label, select")]
  .filter((e) => e.checkVisibility() && e.getBoundingClientRect().left >= 0 && !e.closest("label input"))
  .map((e) => [e.outerHTML.slice(0, 80), e.getBoundingClientRect()])
  .filter(([, box]) => box.width < 47.9 || box.height < 47.9)
  .map(([what, box]) => [what, box.width, box.height])"""


def refuse_what_does_not_fit(page: Page) -> None:
    for light in in_each_light(page):
        _refuse_what_does_not_fit(page, light)


def refuse_what_axe_finds(page: Page) -> None:
    """Outside check: axe-core, with its WCAG 2.2 rules and its best practices."""
    page.evaluate(Axe().axe_script)
    for light in in_each_light(page, AXE_WIDTHS):
        _refuse_what_axe_finds(page, light)


def refuse_what_looks_wrong(page: Page) -> None:
    """Both at once, which costs less."""
    page.evaluate(Axe().axe_script)
    for width in WIDTHS:
        for light in in_each_light(page, [width]):
            _refuse_what_does_not_fit(page, light)
            if width in AXE_WIDTHS:
                _refuse_what_axe_finds(page, light)


def _refuse_what_does_not_fit(page: Page, light: str) -> None:
    assert page.evaluate(SIDEWAYS) == [], light
    assert page.evaluate(CUT) == [], light
    assert page.evaluate(TOO_SMALL) == [], light


def _refuse_what_axe_finds(page: Page, light: str) -> None:
    report = AxeResults(page.evaluate(VIOLATIONS)).generate_report()
    assert report.startswith("Found 0 "), f"{light}: {report}"


def test_everything_fits_is_whole_and_large_enough_for_a_glove_and_axe_core_finds_nothing(view: Page) -> None:
    refuse_what_looks_wrong(view)


def test_so_does_everything_when_nothing_needs_anyone(calm: Page) -> None:
    refuse_what_looks_wrong(calm)


def test_so_does_everything_on_a_wrong_turn(wrong_turn: Page) -> None:
    refuse_what_looks_wrong(wrong_turn)


def wrong_password(page: Page) -> None:
    page.get_by_label("Name").fill("Mira")
    page.get_by_label("Password").fill("wrong wrong wrong")
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_selector("[role=alert]")


def no_more(page: Page) -> None:
    page.wait_for_selector("#calm:has-text('any more')")


def opened(page: Page) -> None:
    page.wait_for_selector(".notice .buttons")


def first_page(page: Page) -> None:
    page.get_by_label("Name").fill("Tomas")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_selector("#freshness[data-state='live']")
    page.wait_for_selector("#lines > *")


CLOSED_VIEWS: dict[str, tuple[str, Callable[[Page], None]]] = {
    "sign in": ("/sign-in", lambda _: None),
    "wrong password": ("/sign-in", wrong_password),
    "a link": ("/notice/n-L3-P2-T2#key={}", opened),
    "a link that ended": ("/notice/n-L3-P2-T2#key=none", no_more),
    "may look": ("/", first_page),
}


@pytest.fixture(params=CLOSED_VIEWS, ids=lambda view: view.replace(" ", "_"))
def closed_view(request: pytest.FixtureRequest, closed_site: Any, new_page: OpenPage) -> Page:
    address, _, entrance = closed_site
    path, then = CLOSED_VIEWS[request.param]
    page = new_page(address)
    page.goto(address + path.format(entrance.door.link_key("n-L3-P2-T2", "line-2")))
    then(page)
    return page


def test_so_does_everything_where_people_sign_in(closed_view: Page) -> None:
    refuse_what_looks_wrong(closed_view)


# What can be pressed, a group of choices being one thing; and where the focus is, if it can be seen there.
PRESSABLE = """() => [...document.querySelectorAll("a[href], button, input, select")]
  .filter((e) => e.checkVisibility() && (e.type !== "radio" || e.checked)).length"""
FOCUSED = """() => {
  const e = document.activeElement;
  if (e === document.body) return null;
  e.seen ??= ++(window.stops ??= { count: 0 }).count;
  const box = (e.type === "radio" ? e.closest("label") : e).getBoundingClientRect();
  const top = document.elementFromPoint(box.left + box.width / 2, Math.min(box.top + 8, box.bottom - 1));
  const shows = top !== null && (top === e || e.contains(top) || Boolean(top.closest("label")?.contains(e)));
  return [e.seen, shows || e.matches(".skip"), e.outerHTML.slice(0, 90)];
}"""


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("path", ["/", SLOT])
def test_everything_is_reached_by_keyboard_and_seen_when_it_is(
    floor: Floor, open_page: OpenPage, path: str, width: int
) -> None:
    floor.ask("P2", "T2")
    page = open_page(path, width=width)
    last_to_come = "Stop in" if path == "/" else "All that was here"
    expect(page.get_by_role("link", name=last_to_come).first).to_be_visible()
    expected = page.evaluate(PRESSABLE)
    reached: set[int] = set()
    for _ in range(expected + 3):
        page.keyboard.press("Tab")
        focused = page.evaluate(FOCUSED)
        if focused is None:
            break
        number, is_seen, what = focused
        assert is_seen, f"hidden while focused: {what}"
        reached.add(number)
    assert len(reached) == expected


@pytest.mark.parametrize("path", ["/", SLOT])
def test_a_first_view_is_light_and_asks_nobody_else(
    site: tuple[str, Floor], new_context: Callable[..., BrowserContext], path: str
) -> None:
    page = new_context().new_page()
    asked: list[str] = []
    sizes: list[float] = []
    page.on("request", lambda request: asked.append(request.url))
    wire = page.context.new_cdp_session(page)
    wire.send("Network.enable")
    wire.on("Network.loadingFinished", lambda event: sizes.append(event["encodedDataLength"]))
    page.goto(site[0] + path)
    page.wait_for_selector("#freshness[data-state='live']")
    page.wait_for_selector(".picture .way")
    assert [url for url in asked if not url.startswith(site[0] + "/")] == []
    # All but the stream; asked of the page, so that its events are heard.
    eventually(lambda: page.evaluate("1") and len(sizes) >= len(asked) - 1)
    said = f"first view of {path}: {sum(sizes):,.0f} bytes in {len(asked)} requests"
    print(said)
    assert sum(sizes) < 100_000, said


def test_without_colour_each_level_has_its_own_shape_and_word(floor: Floor, open_page: OpenPage) -> None:
    make_busy(floor)
    page = open_page()
    levels = page.locator(".notice .level:visible").all()
    pairs = {(level.inner_text(), level.locator("svg path").get_attribute("d")) for level in levels}
    assert {word for word, _ in pairs} == {"Empty", "Urgent", "Early", "Question"}
    assert len({shape for _, shape in pairs}) == 4


def test_without_javascript_the_page_says_so(site: Any, new_context: Callable[..., BrowserContext]) -> None:
    page = new_context(java_script_enabled=False).new_page()
    page.goto(site[0] + "/notice/n-L3-P2-T2")
    assert "RF-SHIELD-22 runs empty" in page.locator("noscript").inner_text()
