"""JMESPath expressions over what a message says: compiled once, and no message breaks one."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import jmespath
from jmespath.exceptions import JMESPathError

from service.wire.native import Misfit

Find = Callable[[Any], Any]
_FAILS = (ArithmeticError, AttributeError, LookupError, RecursionError, TypeError, ValueError)
"""Beside the library's own errors (which are ``ValueError``): what its functions run into in odd data."""


class Expression:
    """``ValueError`` says what doesn't compile. Called with what JSON gave it is the value, ``None`` where
    there is none; ``Misfit`` where it can't be reckoned."""

    def __init__(self, text: str) -> None:
        self.text = text
        try:
            self._compiled = jmespath.compile(text)
        except JMESPathError as error:
            raise ValueError(f"{text!r} is no JMESPath expression ({_first_line(error)})") from None
        self._find: Find = _plainly(self._compiled.parsed) or self._compiled.search

    def __call__(self, data: Any) -> Any:
        try:
            return self._find(data)
        except _FAILS as error:
            raise Misfit(f"{self.text}: {_first_line(error)}") from None


def _plainly(node: Any) -> Find | None:
    """A way of names is gone without the interpreter, which takes twenty times as long; most are that."""
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
