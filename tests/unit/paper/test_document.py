"""The report of a recorded hour as a document: by itself, safe, in each language, the same on paper."""

from __future__ import annotations

import copy
import csv
import re
import zlib
from html.parser import HTMLParser
from io import StringIO
from typing import Any

import pytest

from service.language import speak
from service.paper.document import body, document
from service.paper.pdf import laid_out, pdf
from service.paper.sheets import SHEETS, sheet, sheets
from tests.support.hostile import HOSTILE
from tests.support.reports import made_report

BAD = " ".join(HOSTILE.values())


class Elements(HTMLParser):
    """What a document consists of."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.ids: list[str] = []
        self.targets: list[str] = []
        self.inline: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.tags.append(tag)
        self.ids += [given["id"] or ""] if "id" in given else []
        self.targets += [given.get(name) or "" for name in ("src", "href", "xlink:href") if name in given]
        self.inline += [name for name in given if name == "style" or name.startswith("on")]


@pytest.mark.parametrize("language", ["en", "de"])
def test_a_document_needs_nothing_beside_it(language: str) -> None:
    text = document(made_report(), speak(language))
    found = Elements(text)
    assert [each for each in found.targets if not each.startswith("#")] == []
    assert not re.search(r"url\(\s*['\"]?(?!#)", text)
    assert {"link", "img", "iframe"} & set(found.tags) == set()
    assert len(found.ids) == len(set(found.ids))


def test_the_part_in_the_page_brings_no_style_and_no_script() -> None:
    found = Elements(body(made_report()))
    assert {"style", "script"} & set(found.tags) == set()
    assert found.inline == []


def test_a_document_opens_with_what_one_who_was_not_there_needs() -> None:
    text = document(made_report())
    said = [each["message"] for each in made_report()["summary"]]
    assert 3 <= len(said) <= 7
    assert said[0].startswith("Line L3 stood ")
    places = [text.index(each.replace("'", "&#39;")) for each in said]
    assert places == sorted(places)
    assert places[-1] < text.index("<svg") < text.index("<table")


def test_it_says_the_same_in_german() -> None:
    text = document(made_report(), speak("de"))
    assert '<html lang="de"' in text
    assert re.search(r"Linie L3 stand \d+ min", text)
    assert "planned exchange" not in text


def hostile() -> dict[str, Any]:
    """A report whose every name is somebody's invention."""
    report = copy.deepcopy(made_report())
    for each in (
        *report["stops"],
        *report["warnings"]["each"],
        *report["losses"],
        *report["lost"]["by_slot"],
    ):
        each |= {"part": BAD, "slot": BAD}
    for each in report["warnings"]["per_person"]:
        each["who"] = BAD
    report["site"] = BAD
    return report


def test_names_are_text_whatever_they_hold() -> None:
    plain = Elements(document(made_report()))
    found = Elements(document(hostile()))
    assert set(found.tags) == set(plain.tags)
    assert found.inline == plain.inline


def test_the_same_report_is_the_same_pdf() -> None:
    made = pdf(made_report())
    assert made.startswith(b"%PDF-")
    assert made == pdf(made_report())
    inside = unpacked(made)
    assert inside.count(b"/Type /Page") - inside.count(b"/Type /Pages") >= 2
    ended = re.sub(r"\D", "", made_report()["to"][:19])
    assert f"(D:{ended}Z)".encode() in inside, "dated by the end of what it is about"
    assert b"/Title (Stops and why)" in inside


def unpacked(made: bytes) -> bytes:
    """What stands in the packed streams of a PDF."""
    found = []
    for piece in made.split(b"stream\n")[1::2]:
        try:
            found.append(zlib.decompress(piece))
        except zlib.error:
            found.append(piece)
    return b"\n".join(found)


def test_nothing_is_fetched_for_a_pdf(tmp_path: Any) -> None:
    """A picture that another machine or a file would have is left out."""
    file = tmp_path / "secret.svg"
    file.write_text('<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"/>')
    page = "<title>t</title><img src='{}'>"
    without = laid_out(page.format("data:,"), name=b"x")
    for where in (file.as_uri(), "http://127.0.0.1:9/x.png"):
        assert laid_out(page.format(where), name=b"x") == without


def rows(content: bytes) -> list[list[str]]:
    return list(csv.reader(StringIO(content.decode(), newline="")))


@pytest.mark.parametrize("name", SHEETS)
def test_a_sheet_has_a_head_and_as_many_cells_in_each_row(name: str) -> None:
    content = sheets(made_report())[name]
    assert content.endswith(b"\r\n")
    assert len({len(row) for row in rows(content)}) == 1
    assert len(rows(content)) > 1


def test_a_sheet_of_stops_has_every_stop_in_seconds() -> None:
    head, *found = rows(sheet(made_report(), "stops.csv"))
    stops = made_report()["stops"]
    assert len(found) == len(stops)
    place = head.index("stood_s")
    assert [round(float(row[place]) * 1000) for row in found] == [each["stood_ms"] for each in stops]


def test_no_cell_is_taken_for_a_formula() -> None:
    """OWASP, CSV Injection."""
    report = copy.deepcopy(made_report())
    report["stops"][0]["part"] = '=HYPERLINK("http://evil.example")'
    head, first, *_ = rows(sheet(report, "stops.csv"))
    assert first[head.index("part")].startswith("'=")
