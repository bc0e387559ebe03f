"""Settings that were tried on a recording, as one HTML document that needs nothing beside it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec
from jinja2 import Environment, FileSystemLoader
from markupsafe import Markup

from service.domain.said import Said
from service.language import ENGLISH, Language
from service.paper.choices import choices
from service.paper.document import style
from service.paper.names import LOADS
from service.paper.tell import Tell

Json = dict[str, Any]
_STYLES = ("tokens.css", "review.css", "pictures.css", "print.css")
_MARKS = {
    "recommended": Said("recommended"),
    "same": Said("as recorded"),
    "front": Said("worth a look"),
    "alike": Said("no different beyond luck"),
}


def supposed(result: Json, language: Language = ENGLISH) -> str:
    """The document of what ``usecases.what_if.table`` gives."""
    recording = result["recording"]
    tell = Tell.of(recording, language)
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    body = environment.get_template("supposed.html").render(_facts(result, tell))
    return environment.get_template("document.html").render(
        language=language,
        report=recording,
        title=language.say("What if: other settings"),
        span=tell.span(recording["from"], recording["to"]),
        made_at=f"{recording['to'][:19]}Z",
        styles=Markup("\n".join(map(style, ("tokens.css", "review.css", "pictures.css", "print.css")))),  # noqa: S704 - our own files
        body=Markup(body),  # noqa: S704 - escaped by its template
        paper=False,
    )


def _facts(result: Json, tell: Tell) -> Json:
    return {
        "result": result,
        "tell": tell,
        "t": tell.words(),
        "loads": LOADS,
        "plans": any(each["plan"] for each in result["settings"]),
        "why": [tell.said(msgspec.convert(each, Said)) for each in result["why_said"]],
        "name": lambda row: name_of(row, tell),
        "mark": lambda row: mark_of(row, tell),
        "picture": choices("choices", result, tell),
        "left_out": [(name_of(row, tell), each) for row in result["settings"] for each in row["left_out"]],
    }


def name_of(row: Json, tell: Tell) -> str:
    return tell.said(msgspec.convert(row["name_said"], Said))


def mark_of(row: Json, tell: Tell) -> str:
    return next((tell.said(said) for key, said in _MARKS.items() if row[key]), "")
