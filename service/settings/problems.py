"""One line of text for each thing that is wrong: where, what, and what is allowed instead.

Values are shown only where they can't be secrets: never of a secret key, of an unknown key (it may be a
misspelt secret), of a whole table or of an address.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

from pydantic import ValidationError

from service.settings.schema import Key, Where, find, keys_at

_PLAIN = (str, int, float, bool)


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    where: str
    what: str
    in_file: bool = True

    def line(self, source: str) -> str:
        where = f"{self.where}: " if self.where else ""
        return f"{source if self.in_file else ''}{where}{self.what}"


def dotted(where: Where) -> str:
    """``outlet[1].url``: as a person would point at it in the file, counted from 0 as in the environment."""
    text = "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in where)
    return text.removeprefix(".")


def describe(error: ValidationError, origins: Mapping[Where, str]) -> list[Problem]:
    """The problems of a validation; ``origins`` names the variables from which values came."""
    return [_problem(detail, origins) for detail in error.errors(include_url=False)]


def _problem(detail: Any, origins: Mapping[Where, str]) -> Problem:
    where = _place(detail)
    variable = next(
        (origins[where[:end]] for end in range(len(where), 0, -1) if where[:end] in origins), None
    )
    what = _what(detail, where)
    if variable is None:
        return Problem(where=dotted(where), what=what)
    return Problem(where=variable, what=what, in_file=False)


def _what(detail: Any, where: Where) -> str:
    kind = detail["type"]
    key = find(where)
    if kind == "extra_forbidden":
        return unknown(where)
    allowed = f" ({key.allowed})" if key and key.allowed else ""
    if kind in {"missing", "union_tag_not_found"}:
        return f"is missing{allowed}"
    if kind == "value_error":
        text = str(detail["ctx"]["error"])
        return text if text.endswith(")") or (key and key.models) else text + allowed
    return f"{_shown(detail['input'], key)} is not allowed{allowed}"


def unknown(where: Where) -> str:
    """The first step of ``where`` that doesn't exist, with the keys that do."""
    known: Mapping[str, Key] = {}
    for end, step in enumerate(where):
        known = keys_at(where[:end])
        if isinstance(step, str) and step not in known:
            near = get_close_matches(step, known, n=1)
            hint = f"did you mean {near[0]}?" if near else f"known: {', '.join(known)}"
            return f"there is no key {step} ({hint})"
    return "is no key of this type"


def _shown(value: object, key: Key | None) -> str:
    if key is None or key.secret or not isinstance(value, _PLAIN) or "://" in str(value):
        return "this value"
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "…"


def _place(detail: Any) -> Where:
    """The place in the file: without the type or format, which the validation puts behind the number of a
    table that may be of several."""
    where: Where = detail["loc"]
    if detail["type"].startswith("union_tag"):
        return (*where, detail["ctx"]["discriminator"].strip("'"))
    key = find(where[:1])
    if key is not None and key.many and len(key.models) > 1 and len(where) > 2:
        return (*where[:2], *where[3:])
    return where
