"""The shell of the page as the server gives it; what it does in a browser is tested there."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

import service.web.pages
from service.web.pages import modules_of
from tests.support.floor import Floor, Place

HTML = {"accept": "text/html"}
STATIC = Path(service.web.pages.__file__).parent / "static"
SOURCES = sorted(STATIC.glob("*.js"))
SLOT = "/line/L3/station/P2/slot/T2"


def test_the_first_page_names_the_plant_and_its_time(client: Any) -> None:
    page = client.get("/", headers=HTML)
    assert page.status_code == 200
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert "<title>Ferrow plant · Earlybell</title>" in page.text
    assert 'data-timezone="Europe/Vienna"' in page.text


@pytest.mark.parametrize("path", ["/", "/notice/n-L3-P2-T2", SLOT, "/handover", "/history", "/nowhere"])
def test_a_page_has_no_inline_script_or_style_and_nothing_from_elsewhere(client: Any, path: str) -> None:
    page = client.get(path, headers=HTML).text
    assert not re.search(r"<script(?![^>]*\ssrc=)", page)
    assert not re.search(r"<style|\sstyle=|\son\w+=|javascript:", page)
    assert not re.search(r"(?:src|href)=\"(?:https?:)?//", page)


@pytest.mark.parametrize("path", ["/", "/notice/n-L3-P2-T2", SLOT, "/handover", "/history", "/nowhere"])
def test_everything_a_page_names_is_there(client: Any, path: str) -> None:
    names = set(re.findall(r'(?:src|href)="(/static/[^"]+)"', client.get(path, headers=HTML).text))
    assert len(names) >= 5
    for name in names:
        answer = client.get(name)
        assert (answer.status_code, answer.headers["cache-control"]) == (200, "no-cache"), name


@pytest.mark.parametrize("source", SOURCES, ids=lambda path: path.name)
def test_no_module_writes_markup_from_data(source: Path) -> None:
    text = source.read_text()
    assert not re.search(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|eval\(|new Function", text)


@pytest.mark.parametrize("entry", ["handover.js", "history.js", "main.js", "slot.js", "switch.js"])
def test_a_page_names_every_module_its_own_needs_and_no_other(entry: str) -> None:
    named = set(modules_of(entry))
    imported = {
        name
        for module in named
        for name in re.findall(r'import\b[^;]*?"\./([^"]+)";', (STATIC / module).read_text())
    }
    assert named == imported | {entry}


def test_a_slot_has_a_page(client: Any) -> None:
    page = client.get(SLOT, headers=HTML)
    assert page.status_code == 200
    assert 'data-line="L3" data-station="P2" data-slot="T2"' in page.text
    assert "<title>P2 T2 · Ferrow plant · Earlybell</title>" in page.text


def test_a_slot_is_found_in_either_normal_form(client: Any, floor: Floor) -> None:
    floor.places.append(Place(line="Žár-1", station="P1", slot="F1", part="R", left=10))
    assert client.get("/line/Z\u030ca\u0301r-1/station/P1/slot/F1").status_code == 200


def test_a_notice_has_a_page_with_its_words(client: Any, floor: Floor) -> None:
    page = client.get("/notice/n-L3-P2-T2", headers=HTML)
    assert page.status_code == 200
    assert 'data-notice="n-L3-P2-T2"' in page.text
    assert floor.notes["n-L3-P2-T2"].version == 1


def test_markup_in_a_notice_is_text(client: Any, floor: Floor) -> None:
    floor.place("P2", "T2").part = "<b>X</b>"
    floor.warn("P2", "T2", level="empty")
    page = client.get("/notice/n-L3-P2-T2", headers=HTML).text
    assert "<b>X" not in page
    assert "&lt;b&gt;X" in page


@pytest.mark.parametrize(
    "path", ["/nowhere", "/notice/none", "/line/L3/station/P1/slot/T2", "/line/a b/station/P1/slot/T2"]
)
def test_a_wrong_turn_gets_a_kind_page(client: Any, path: str) -> None:
    page = client.get(path, headers=HTML)
    assert page.status_code == 404
    assert "Nothing here" in page.text
    assert 'href="/"' in page.text


@pytest.mark.parametrize(("path", "accept"), [("/nowhere", "*/*"), ("/api/v1/nowhere", "text/html")])
def test_a_tool_gets_json_instead(client: Any, path: str, accept: str) -> None:
    answer = client.get(path, headers={"accept": accept})
    assert answer.status_code == 404
    assert answer.json() == {"detail": "no such page or call"}


def test_a_preview_may_ask_for_the_head_alone(client: Any) -> None:
    assert client.head("/notice/n-L3-P2-T2").status_code == 200


def test_files_outside_the_static_folder_are_out_of_reach(client: Any) -> None:
    assert client.get("/static/..%2fapi.py").status_code == 404
