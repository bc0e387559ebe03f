"""The box that hears a label: a scanner that plays keyboard, the camera, and typing."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from service.web.stream import Hub
from tests.browser.test_looks import refuse_what_axe_finds, refuse_what_does_not_fit
from tests.support.floor import plant, served
from tests.support.scanner import CTRL, EOT, GS, RS, strike

HARNESS = """async () => {
  const { scanner } = await import("/static/scan.js");
  const main = document.querySelector("main");
  const style = document.createElement("link");
  Object.assign(style, { rel: "stylesheet", href: "/static/scan.css" });
  document.head.append(style);
  await new Promise((loaded) => { style.onload = loaded; });
  globalThis.heard = [];
  globalThis.pressed = 0;
  globalThis.box = scanner((text) => {
    globalThis.heard.push(text);
    if (text === "refuse me") throw new Error("field 2 doesn't begin with a data identifier");
  }, { label: "Label" });
  const other = document.createElement("button");
  other.textContent = "Something else";
  other.onclick = () => { globalThis.pressed += 1; };
  main.replaceChildren(globalThis.box.element, other);
}"""
EYES = """() => {
  globalThis.codes = [];
  globalThis.BarcodeDetector = class {
    static getSupportedFormats() { return Promise.resolve(["data_matrix", "code_128"]); }
    detect() { return Promise.resolve(globalThis.codes); }
  };
}"""


@pytest.fixture
def open_box(new_context: Callable[..., Any]) -> Iterator[Callable[..., Page]]:
    """``open_box(eyes=True)``: a page with nothing but the box and a button on it."""
    hub = Hub()
    app, _ = plant(hub)
    with served(app, hub) as address:

        def open_(*, eyes: bool = False, **options: Any) -> Page:
            page: Page = new_context(**options).new_page()
            page.on("pageerror", lambda error: pytest.fail(f"the page failed: {error}"))
            page.goto(address + "/history")
            if eyes:
                page.evaluate(EYES)
            page.evaluate(HARNESS)
            return page

        yield open_


def heard(page: Page) -> list[str]:
    found: list[str] = page.evaluate("globalThis.heard")
    return found


def test_a_scanner_is_heard_wherever_the_focus_is_with_its_separators(open_box: Callable[..., Page]) -> None:
    page = open_box()
    page.get_by_role("button", name="Something else").focus()
    # As an American keyboard has it; as that arrives on a German one, where the key bears a plus;
    # F8 for GS; Alt and a number, as Windows writes what no key has.
    german = {"key": "+", "code": "BracketRight", **CTRL}
    alt = [{"key": digit, "code": f"Numpad{digit}", "altKey": True} for digit in "029"]
    for separator in ([GS], [german], [{"key": "F8"}], [*alt, {"key": "Alt", "up": True}]):
        strike(page, [*"[)>", RS, *"06", *separator, *"1PA B", *separator, *"Q5", RS, EOT, "Enter"])
    message = "[)>\x1e06\x1d1PA B\x1dQ5\x1e\x04"
    assert heard(page) == [message] * 4
    assert page.evaluate("globalThis.pressed") == 0
    # What fingers do stays theirs.
    page.keyboard.press("Enter")
    page.keyboard.type("R-10", delay=120)
    page.keyboard.press("Enter")
    assert heard(page) == [message] * 4
    assert page.evaluate("globalThis.pressed") == 2
    page.evaluate("""() => {
      const choice = Object.assign(document.createElement("input"), { type: "radio" });
      document.querySelector("main").append(choice);
      choice.focus();
    }""")
    strike(page, [*"1PRC0402", "Enter"])
    assert heard(page)[4:] == ["1PRC0402"]
    page.evaluate("globalThis.box.stop()")
    strike(page, [*"1PRC0402", "Enter"])
    assert len(heard(page)) == 5


def test_in_the_field_one_scans_and_types_and_hears_what_is_wrong(open_box: Callable[..., Page]) -> None:
    page = open_box()
    field, said = page.get_by_label("Label"), page.locator(".scan .said")
    field.focus()
    page.keyboard.type("1PA")
    page.keyboard.press("Control+]")
    page.keyboard.type("Q5")
    expect(field).to_have_value("1PA␝Q5")  # seen, and sent as what it is
    page.keyboard.press("Enter")
    assert heard(page) == ["1PA\x1dQ5"]
    page.keyboard.type("refuse me")  # takes the place of what was read
    page.get_by_role("button", name="Read").click()
    expect(said).to_have_text("field 2 doesn't begin with a data identifier")
    field.fill("")
    page.get_by_role("button", name="Read").click()
    expect(said).to_have_text("Scan the label, or type what stands on it.")
    field.fill("1TA77")
    strike(page, [*"1TA77", "Tab"])  # as fast as a scanner Tab ends the code; by hand it only goes on
    assert heard(page)[-1] == "1TA77"
    expect(page.get_by_role("button", name="Use the camera")).to_be_hidden()  # this browser can't read codes


def test_the_camera_reads_a_code_and_is_closed_again(open_box: Callable[..., Page]) -> None:
    """The detector stands in for one that this browser doesn't have; the stream is real."""
    page = open_box(eyes=True)
    page.evaluate("""() => {
      const canvas = document.createElement("canvas");
      canvas.getContext("2d").fillRect(0, 0, 300, 150);
      globalThis.stream = canvas.captureStream();
      navigator.mediaDevices.getUserMedia = () => Promise.resolve(globalThis.stream);
    }""")
    page.get_by_role("button", name="Use the camera").click()
    expect(page.get_by_role("button", name="Close the camera")).to_be_focused()
    refuse_what_does_not_fit(page)
    refuse_what_axe_finds(page)
    page.evaluate("""() => {
      const at = (x, rawValue) => ({ rawValue, boundingBox: new DOMRect(x, 70, 10, 10) });
      globalThis.codes = [at(0, "MCU-1"), at(145, "MCU-2"), at(290, "MCU-3")];
    }""")
    expect(page.locator("video")).to_be_hidden()
    assert heard(page) == ["MCU-2"]  # the one in the middle
    assert page.evaluate("globalThis.stream.getTracks()[0].readyState") == "ended"


def test_of_the_codes_that_a_camera_sees_the_label_is_taken(open_box: Callable[..., Page]) -> None:
    page = open_box()
    for texts, wanted in (
        (
            ["1PMCU-48Q", "Q160", "1TA77"],
            "1PMCU-48Q\x1dQ160\x1d1TA77",
        ),  # one label with a code for each field
        (["Q160", "[)>\x1e06\x1d1PA\x1e\x04"], "[)>\x1e06\x1d1PA\x1e\x04"),
        (["1PMCU-48Q", "1PMCU-48R", "Q160"], "1PMCU-48R"),  # two labels: the one in the middle
        (["P-100", "PIC-16", "Q160"], "PIC-16"),  # too little to go by
        (["R-10K", "1PRC0402", "Q5000"], "1PRC0402\x1dQ5000"),
    ):
        codes = [
            {"rawValue": text, "boundingBox": {"x": 100 * place, "y": 0, "width": 100, "height": 100}}
            for place, text in enumerate(texts)
        ]
        module = "async (codes) => (await import('/static/codes.js')).oneOf(codes, 100 * codes.length, 100)"
        assert page.evaluate(module, codes) == wanted


def test_a_camera_that_is_refused_says_what_to_do(open_box: Callable[..., Page]) -> None:
    page = open_box(eyes=True, locale="de-AT")
    page.evaluate("""() => {
      const no = (name) => () => Promise.reject(new DOMException("no", name));
      navigator.mediaDevices.getUserMedia = no("NotAllowedError");
    }""")
    page.get_by_role("button", name="Mit der Kamera").click()
    expect(page.locator(".scan .said.bad")).to_contain_text("Die Kamera ist hier nicht erlaubt.")
    expect(page.get_by_role("button", name="Mit der Kamera")).to_be_visible()
