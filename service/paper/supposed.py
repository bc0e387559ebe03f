"""Settings that were tried on a recording, as one HTML document that needs nothing beside it."""

from __future__ import annotations

from typing import Any

import msgspec

from service.domain.said import Said
from service.language import ENGLISH, Language
from service.paper.choices import choices, name_of
from service.paper.document import framed, rendered
from service.paper.names import LOADS
from service.paper.tell import Tell

Json = dict[str, Any]
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
    content = rendered("supposed.html", _facts(result, tell))
    return framed(recording, language.say("What if: other settings"), content, language)


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


def mark_of(row: Json, tell: Tell) -> str:
    return next((tell.said(said) for key, said in _MARKS.items() if row[key]), "")
