"""A report as HTML: the part that the page shows, and one document that needs nothing beside it.

What is worth a row: the longest stops that stations answer for themselves, the warnings that weren't in
time, the slots that cost or lost most. All of it is in the JSON and in the sheets.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import ChainableUndefined, Environment, FileSystemLoader
from markupsafe import Markup

from service.language import ENGLISH, Language
from service.paper import names
from service.paper.pictures import Pictures, script
from service.paper.tell import Tell

Json = dict[str, Any]
_HERE = Path(__file__).parent
MOST_ROWS = 30
WORTH = 10_000
"""Milliseconds: a shorter stop gets no row."""


def body(report: Json, language: Language = ENGLISH, *, paper: bool = False, linked: bool = False) -> Markup:
    """The report, below a heading of the second level. ``linked``: its stops lead to their pages."""
    tell = Tell.of(report, language)
    return rendered("body.html", _facts(report, tell, paper) | {"linked": linked})


def document(report: Json, language: Language = ENGLISH, *, paper: bool = False) -> str:
    """All of it with its looks. ``paper``: to be printed, so nothing in it moves."""
    heading = title(report, Tell.of(report, language))
    moves = None if paper else script()
    return framed(report, heading, body(report, language, paper=paper), language, paper=paper, moves=moves)


def framed(
    about: Json,
    heading: str,
    content: Markup,
    language: Language,
    *,
    paper: bool = False,
    moves: Markup | None = None,
) -> str:
    """``content`` as a document that needs nothing beside it. ``about``: a report or its head, whose site and
    time stand on top; ``moves``: the script."""
    made = rendered(
        "document.html",
        {
            "language": language,
            "report": about,
            "title": heading,
            "span": Tell.of(about, language).span(about["from"], about["to"]),
            "made_at": f"{about['to'][:19]}Z",
            "styles": _styles(),
            "script": moves,
            "body": content,
            "paper": paper,
        },
    )
    return str(made)


@cache
def style(name: str) -> str:
    return (_HERE / name).read_text(encoding="utf-8")


def _styles() -> Markup:
    """All looks of a document."""
    names = ("tokens.css", "review.css", "pictures.css", "print.css")
    return Markup("\n".join(map(style, names)))  # noqa: S704 - our own files


@cache
def _environment() -> Environment:
    return Environment(
        loader=FileSystemLoader(_HERE / "templates"),
        autoescape=True,
        undefined=ChainableUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def rendered(name: str, facts: Json) -> Markup:
    return Markup(_environment().get_template(name).render(facts))  # noqa: S704 - escaped by the template


def _facts(report: Json, tell: Tell, paper: bool) -> Json:
    stops, left_out = chosen_stops(report["stops"])
    unsettled = [each for each in report["warnings"]["each"] if each["verdict"] != "in time"]
    return {
        "report": report,
        "tell": tell,
        "t": tell.words(),
        "many": tell.counts(),
        "stops": stops,
        "stops_left_out": left_out,
        "unsettled": unsettled[:MOST_ROWS],
        "unsettled_left_out": max(0, len(unsettled) - MOST_ROWS),
        "planned": list(_planned(report["plan"])),
        "losing": [each for each in report["losses"] if each["lost"]][:20],
        "causes": causes_met(report["lines"]),
        "names": names,
        "pictures": Pictures(report, tell, paper),
        "times_rows": list(times_rows(report["lines"], tell)),
        "mapping": next(
            (each["times"]["line"]["mapping"] for each in report["lines"] if each["times"]["line"]), []
        ),
    }


def title(report: Json, tell: Tell) -> str:
    lines = report["lines"]
    if len(lines) == 1:
        return tell.language.say("Review, line {line}", line=lines[0]["line"])
    return tell.language.say_many("Review, 1 line", "Review, {number} lines", len(lines))


def chosen_stops(stops: Sequence[Json]) -> tuple[list[Json], int]:
    """The longest of those that stations answer for themselves, in order of time; how many are left out."""
    worth = [each for each in stops if each["blamed"] and each["stood_ms"] >= WORTH]
    longest = sorted(worth, key=lambda each: -each["stood_ms"])[:MOST_ROWS]
    shown = sorted(longest, key=lambda each: each["id"])
    return shown, len(stops) - len(shown)


def causes_met(lines: Iterable[Json]) -> list[str]:
    """Those that any station stood for, the longest first."""
    sums: dict[str, int] = {}
    for line in lines:
        for times in (*line["times"]["stations"].values(), line["times"]["line"]):
            for cause, each in (times or {"causes": {}})["causes"].items():
                sums[cause] = sums.get(cause, 0) + each
    return sorted((cause for cause in sums if cause != "work"), key=lambda cause: (-sums[cause], cause))


def times_rows(lines: Iterable[Json], tell: Tell) -> Iterator[tuple[str, bool, Json]]:
    """The times of each line, then those of its stations; what was never heard has none."""
    for line in lines:
        if line["times"]["line"] is not None:
            yield tell.language.say("Line {line}", line=line["line"]), True, line["times"]["line"]
        for station in line["stations"]:
            if line["times"]["stations"][station] is not None:
                yield station, False, line["times"]["stations"][station]


def _planned(plans: Iterable[Json]) -> Iterable[Json]:
    for plan in plans:
        for each in plan["each"]:
            if each["kept"] not in ("in it", "ahead"):
                yield each | {"line": plan["line"]}
