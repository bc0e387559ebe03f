"""JMESPath expressions over what a message says: compiled once, and no message breaks one."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import jmespath
from jmespath.exceptions import JMESPathError

from service.wire.native import Misfit

Find = Callable[[Any], Any]
_WHOLE = "$."
_FAILS = (ArithmeticError, AttributeError, LookupError, RecursionError, TypeError, ValueError)
"""Beside the library's own errors (which are ``ValueError``): what its functions run into in odd data."""


class Expression:
    """``find`` gives what it finds in what JSON gave, ``None`` where there is nothing, and raises ``Misfit``
    where it can't be reckoned. ``$.`` before an expression says that it is one of the whole message
    (``of_whole``), where others are of an item in it. ``ValueError`` says what doesn't compile."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.of_whole = text.startswith(_WHOLE)
        try:
            compiled = jmespath.compile(text.removeprefix(_WHOLE))
        except JMESPathError as error:
            why = _first_line(error).removesuffix(", for expression:").rstrip(":")
            raise ValueError(f"{text!r} is no JMESPath expression ({why})") from None
        self.find: Find = _plainly(compiled.parsed) or partial(_search, text, compiled.search)


def _search(text: str, search: Find, data: Any) -> Any:
    try:
        return search(data)
    except _FAILS as error:
        raise Misfit(f"{text}: {_first_line(error)}") from None


def _plainly(node: Any) -> Find | None:
    """A way of names alone, as most are, is gone without the interpreter, which takes ten times as long."""
    kind = node["type"]
    if kind == "current":
        return lambda data: data
    if kind == "field":
        name = node["value"]
        return lambda data: data.get(name) if isinstance(data, dict) else None
    if kind == "subexpression":
        steps = [_plainly(child) for child in node["children"]]
        if len(steps) == 2 and steps[0] is not None and steps[1] is not None:
            first, second = steps[0], steps[1]
            return lambda data: second(first(data))
    return None


def _first_line(error: Exception) -> str:
    return next(iter(str(error).splitlines()), type(error).__name__)[:160]
