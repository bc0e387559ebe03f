"""Settings that were tried, on paper: all of it, in both languages, and nothing from outside."""

from __future__ import annotations

from datetime import UTC
from html.parser import HTMLParser
from typing import Any

from service.domain.said import put
from service.language import speak
from service.paper.supposed import supposed
from service.usecases.what_if import Tried, table

RECORDING = {
    "checksum": "sha256:0",
    "site": "Tarnquay <b>Works</b>",
    "timezone": "Europe/Vienna",
    "from": "2026-03-02T06:00:00.000Z",
    "to": "2026-03-02T14:00:00.000Z",
    "hours": 8.0,
    "entries": 10,
    "messages": 9,
    "lines": ["L1"],
}


def tried(minutes: float, messages: float, **keys: Any) -> Tried:
    stops = [round((minutes + share) * 60_000) for share in (-0.1, 0.0, 0.1)]
    figures: dict[str, Any] = {
        "emptyings": 12,
        "warnings": {
            "opened": 12,
            "early": 12,
            "urgent": 0,
            "empty": 0,
            "needless": 1,
            "missed": 0,
            "late": 2,
            "in_time": 10,
        },
        "lead": {"asked": 10, "panels": {"p10": 8.0, "p50": 11.0, "p90": 14.0}, "minutes": None},
        "messages": {"all": 40, "per_person_hour": messages, "verdict": "manageable", "people": []},
        "plan": None,
        "left_out": [{"what": "plans of the recording, kept anew", "times": 3}],
        "tries": {"stops": [2, 2, 2], "stop_ms": stops},
    }
    if not keys:
        more = {"towers": {"stops": [9, 9, 9], "stop_ms": [3_600_000] * 3}}
        figures |= more | {"as_it_was": {"emptyings": 12, "ran_out": 1, "stop_ms": 90_000}}
    return Tried(keys=keys, other=None, figures=figures)


RESULT = table(
    RECORDING,
    {"scenario": "demo", "crew": 3},
    [tried(9.0, 2.0), tried(1.5, 2.5, **{"warn.lead_panels": 20}), tried(30.0, 2.0, **{"warn.chance": 0.4})],
)


class Outside(HTMLParser):
    """Addresses that a page would load."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [str(value) for name, value in attrs if name in ("src", "href", "style")]


def test_the_best_stands_first_with_why() -> None:
    page = supposed(RESULT)
    assert page.index("lead 20 panels: stations wait 1.5 min for supplies") < page.index("<table>")
    rows = page[page.index("<tbody>") :]
    assert rows.index("lead 20 panels") < rows.index("as recorded") < rows.index("chance 0.4")


def test_it_speaks_german() -> None:
    page = supposed(RESULT, speak("de", None))
    assert 'lang="de"' in page
    assert "Vorlauf 20 Nutzen: Stationen warten 1,5 min auf Gebinde" in page
    assert "Pläne der Aufzeichnung, neu gemacht" in page


def test_it_needs_nothing_beside_it_and_takes_no_markup_from_names() -> None:
    page = supposed(RESULT)
    outside = Outside()
    outside.feed(page)
    assert outside.found == []
    assert "<b>Works" not in page


def test_a_setting_names_itself() -> None:
    several = Tried(keys={"warn.lead_panels": 1, "plan.people": 2}, other="night.toml", figures={})
    assert put(several.name, UTC) == "night.toml; lead 1 panel; plan.people 2"
