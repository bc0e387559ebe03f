"""The page in the language of its reader: asked by the browser or chosen on the device, and in no other."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from babel.messages.catalog import Catalog
from babel.messages.pofile import write_po
from playwright.sync_api import BrowserContext, Page, expect

from service.web.stream import Hub
from tests.support.floor import Floor, plant, served
from tests.support.office import Office
from tests.words.gather import gather

OpenPage = Callable[..., Page]
SLOT = "/line/L3/station/P2/slot/T2"
WITH_SLOTS = ("/", SLOT, "/notice/n-L3-P1-F07")
PAGES = (*WITH_SLOTS, "/handover", "/record", "/budget", "/outlets", "/phone", "/who", "/history", "/nowhere")
WAITS = ".calm:visible, .promise, .verdict, .can"


def settled(page: Page) -> None:
    """Shows what it has fetched, and not that it asks."""
    path = page.evaluate("location.pathname")
    if path in WITH_SLOTS:
        expect(page.locator(".rows li, .sheet:not([hidden]), .single .notice").first).to_be_visible()
    elif page.locator(WAITS).count():
        expect(page.locator(WAITS).first).not_to_contain_text("…")


# Texts as a reader finds them: what is shown, and what a screen reader says instead.
SPOKEN = """() => {
  const names = ["aria-label", "title", "placeholder", "alt"];
  const walker = document.createTreeWalker(document.documentElement, NodeFilter.SHOW_TEXT);
  const texts = [];
  while (walker.nextNode()) {
    const within = walker.currentNode.parentElement;
    if (!within.closest("script, style, noscript, #tongue")) texts.push(walker.currentNode.data);
  }
  for (const one of document.querySelectorAll(names.map((name) => `[${name}]`).join()))
    for (const name of names) texts.push(one.getAttribute(name) ?? "");
  return texts.map((text) => text.trim()).filter(Boolean);
}"""


def test_a_german_browser_gets_a_german_page_that_works(floor: Floor, open_page: OpenPage) -> None:
    floor.warn("P2", "T2", level="urgent")
    page = open_page(locale="de-AT", name="Mira")
    expect(page.locator("html")).to_have_attribute("lang", "de")
    card = page.locator("#notice-n-L3-P2-T2")
    expect(card.locator(".level")).to_have_text("Dringend")
    expect(card.locator(".soon")).to_contain_text("Nutzen übrig")
    card.get_by_role("button", name="Ich übernehme").click()
    expect(card.locator(".status")).to_have_text("Mira kümmert sich")
    assert floor.notes["n-L3-P2-T2"].taken_by == "Mira"


def test_numbers_and_times_are_those_of_the_language(floor: Floor, open_page: OpenPage) -> None:
    page = open_page(SLOT, locale="de-DE")
    expect(page.locator(".figures")).to_contain_text("2,1 von 1.000")
    expect(page.locator("#when")).to_have_text(re.compile(r"gegen \d\d:\d\d$"))
    expect(page.locator(".sentences p").first).to_have_text(
        "Laut Angabe mit 402 Teilen gerüstet, seither 400 gezählt: noch etwa 2."
    )


def test_a_question_of_the_service_is_asked_in_german_and_announced(
    floor: Floor, open_page: OpenPage
) -> None:
    page = open_page(locale="de")
    floor.ask("P2", "F31")
    expect(page.locator("#questions")).to_contain_text("Wie viele Teile wurden gerüstet?")
    expect(page.locator("#announce")).to_contain_text("Frage: L3 P2 F31 wurde nachgefüllt")


def test_what_is_chosen_on_the_device_holds_until_it_is_chosen_anew(open_page: OpenPage) -> None:
    page = open_page(locale="de")
    page.get_by_label("Sprache").select_option("English")
    expect(page.get_by_role("heading", name="Needs someone")).to_be_visible()
    page.goto(page.url + "record")
    expect(page.get_by_role("heading", name="Do warnings come in time?")).to_be_visible()
    page.get_by_label("Language").select_option("As the device")
    expect(page.get_by_role("heading", name="Kommen Warnungen rechtzeitig?")).to_be_visible()


def test_without_its_words_the_page_works_in_english(
    site: tuple[str, Floor], new_context: Callable[..., BrowserContext]
) -> None:
    page = new_context(locale="de").new_page()
    page.route("**/static/words/*", lambda route: route.abort())
    page.goto(site[0])
    page.wait_for_selector("#freshness[data-state='live']")
    expect(page.locator("#notices").get_by_role("button", name="I'm on it").first).to_be_visible()


@pytest.mark.parametrize("path", ["/", SLOT, "/record", "/handover", "/phone"])
def test_german_fits_on_a_phone(floor: Floor, open_page: OpenPage, path: str) -> None:
    floor.warn("P2", "T2", level="empty")
    floor.ask("P2", "T2")
    page = open_page("/", locale="de", width=360)
    page.goto(page.url.rstrip("/") + path)
    settled(page)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    cut = "(all) => all.filter((e) => e.scrollWidth > e.clientWidth + 1).map((e) => e.textContent)"
    assert page.locator("button:visible, .button:visible, dt:visible").evaluate_all(cut) == []


@pytest.fixture(scope="module")
def marked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A made-up language in which each text stands between ‹ and ›."""
    directory = tmp_path_factory.mktemp("languages")
    catalogue = Catalog(locale="eo")
    for message in gather():
        if message.id:
            one = isinstance(message.id, str)
            said = f"‹{message.id}›" if one else tuple(f"‹{each}›" for each in message.id)
            catalogue.add(message.id, said)
    with (directory / "eo.po").open("wb") as file:
        write_po(file, catalogue)
    return directory


def unmarked(text: str) -> str:
    """What stands outside of all marks."""
    depth, outside = 0, []
    for character in text:
        depth += (character == "‹") - (character == "›")
        outside.append(character if depth == 0 else " ")
    return "".join(outside)


NAMES = r"Ferrow plant|Earlybell|Vienna|Europe|gate-rev-c|[\w.]+\.example|line-3|[\w-]*l3|office|Mira|Tomas"
ASKING = {
    "/": ("Loaded a new one", "Close…", "That isn't me"),
    SLOT: ("Loaded, another quantity", "Counted what is left", "Taken out"),
}


def past_the_catalogue(page: Page) -> list[str]:
    said = [re.sub(NAMES, "", unmarked(text)) for text in page.evaluate(SPOKEN)]
    return sorted({text.strip() for text in said if re.search(r"[a-z]{3,}", text)})


def test_no_page_says_anything_past_the_catalogue(
    marked: Path, new_context: Callable[..., BrowserContext]
) -> None:
    hub = Hub()
    app, floor = plant(hub, office=Office())
    app.state.languages = marked
    floor.warn("P2", "T2", level="empty")
    floor.warn("P2", "T1", level="urgent")
    floor.quiet("n-L3-P2-T1", by="Mira", panels=5, until=None)
    floor.ask("P2", "T2")
    missed: dict[str, list[str]] = {}
    with served(app, hub) as address:
        page = new_context(locale="eo").new_page()
        page.add_init_script("localStorage.setItem('earlybell.name', 'Mira')")
        for path in PAGES:
            page.goto(address + path)
            settled(page)
            missed[path] = past_the_catalogue(page)
            for button in ASKING.get(path, ()):
                page.get_by_role("button", name=f"‹{button}›").first.click()
                expect(page.locator("dialog")).to_be_visible()
                missed[button] = past_the_catalogue(page)
                page.keyboard.press("Escape")
    assert {where: texts for where, texts in missed.items() if texts} == {}
