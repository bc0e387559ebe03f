"""Just enough of JavaScript's grammar to find strings and what they are given to."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass

_TOKEN = re.compile(
    r"""(?P<blank>\s+|//[^\n]*|/\*.*?\*/)
    |(?P<string>"(?:\\.|[^"\\])*"|'(?:\\.|[^'\\])*')
    |(?P<template>`)
    |(?P<name>[A-Za-z_$][\w$]*)
    |(?P<number>\d[\w.]*)
    |(?P<operator>.)""",
    re.DOTALL | re.VERBOSE,
)
_REGEX = re.compile(r"/(?:\\.|\[(?:\\.|[^\]\\])*\]|[^/\\\[\n])+/[a-z]*")
_BEFORE_REGEX = frozenset("(,=:[!&|?{};") | {"return"}


@dataclass(frozen=True, slots=True)
class Token:
    """``value``: of a string or a template what it says; ``inner``: the expressions in a template."""

    kind: str
    value: str
    inner: tuple[str, ...] = ()


def tokens_of(source: str) -> Iterator[Token]:
    place, before = 0, ";"
    while place < len(source):
        found = _TOKEN.match(source, place)
        regex = _REGEX.match(source, place) if before in _BEFORE_REGEX else None
        if found is None or found.lastgroup is None:
            raise ValueError(f"no JavaScript: {source[place : place + 40]}")
        if found.lastgroup == "blank":
            place = found.end()
            continue
        if found.lastgroup == "template":
            token, place = _template(source, place)
        elif regex is not None:
            token, place = Token("regex", regex.group()), regex.end()
        else:
            token, place = _plain(found.lastgroup, found.group()), found.end()
        before = token.value
        yield token


def _plain(kind: str, text: str) -> Token:
    return Token(kind, str(ast.literal_eval(text)) if kind == "string" else text)


def _template(source: str, start: int) -> tuple[Token, int]:
    """The template string that begins at ``start``, and where it ends."""
    place, said, inner = start + 1, "", list[str]()
    while source[place] != "`":
        if source.startswith("${", place):
            end = _end_of_expression(source, place + 2)
            inner.append(source[place + 2 : end])
            said, place = said + "{}", end + 1
        else:
            step = 2 if source[place] == "\\" else 1
            said, place = said + source[place : place + step], place + step
    return Token("template", said, tuple(inner)), place + 1


def _end_of_expression(source: str, place: int) -> int:
    depth = 0
    while depth or source[place] != "}":
        if source[place] == "`":
            place = _template(source, place)[1]
        elif found := re.compile(r""""(?:\\.|[^"\\])*"|'(?:\\.|[^'\\])*'""").match(source, place):
            place = found.end()
        else:
            depth += {"{": 1, "}": -1}.get(source[place], 0)
            place += 1
    return place
