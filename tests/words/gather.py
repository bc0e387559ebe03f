"""Every text for people, gathered from where it stands: Python, page templates, page modules.

Python calls ``x.say``, ``x.say_many``, ``english`` or ``Said``, templates and the page's modules ``t`` and
``many``. Calls inside calls count too, which Babel's own extractors for Python and JavaScript miss.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

from babel.messages.catalog import Catalog
from jinja2 import Environment, nodes

from tests.words.javascript import Token, tokens_of

ROOT = Path(__file__).parents[2]
WORDS = ROOT / "service" / "language"
STATIC = ROOT / "service" / "web" / "static"
TEMPLATES = sorted((ROOT / "service").glob("*/templates/*.html"))

Text = str | tuple[str, str]
"""A text, or the two English forms of what is counted."""


@cache
def gather() -> Catalog:
    """All there are, each with the files it stands in."""
    catalogue = Catalog(project="Earlybell", charset="utf-8", header_comment="# Every text for people.")
    for file, texts in everywhere():
        for text in texts:
            catalogue.add(text, locations=[(file.relative_to(ROOT).as_posix(), 1)])
    return catalogue


def everywhere() -> Iterator[tuple[Path, list[Text]]]:
    for file in sorted((ROOT / "service").rglob("*.py")):
        yield file, list(in_python(file.read_text(encoding="utf-8")))
    for file in TEMPLATES:
        yield file, list(in_template(file.read_text(encoding="utf-8")))
    for file in sorted(STATIC.glob("*.js")):
        yield file, list(in_module(file.read_text(encoding="utf-8")))


def in_python(source: str) -> Iterator[Text]:
    tree = ast.parse(source)
    speaks = {"english": ".say", "Said": "Said"} | dict(_aliases(tree))
    for call in ast.walk(tree):
        if not isinstance(call, ast.Call):
            continue
        name = speaks.get(call.func.id) if isinstance(call.func, ast.Name) else _attribute(call.func)
        several = [each.value for each in call.keywords if each.arg == "many" and name == "Said"]
        one, many, *_ = [*map(_text, [*call.args[:1], *several, *call.args[1:]]), None, None]
        if one is not None and many is not None and (name == ".say_many" or several):
            yield one, many
        elif one is not None and name in {".say", "Said"}:
            yield one


def _aliases(tree: ast.Module) -> Iterator[tuple[str, str]]:
    """Short names for a language's own: ``say, many = language.say, language.say_many``."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Assign):
            names, values = _each(node.targets[0]), _each(node.value)
            for name, value in zip(names, values, strict=False):
                if isinstance(name, ast.Name) and _attribute(value) in {".say", ".say_many"}:
                    yield name.id, str(_attribute(value))


def _each(node: ast.expr) -> list[ast.expr]:
    return node.elts if isinstance(node, ast.Tuple) else [node]


def _attribute(node: ast.expr) -> str | None:
    return f".{node.attr}" if isinstance(node, ast.Attribute) else None


def _text(node: ast.expr) -> str | None:
    return node.value if isinstance(node, ast.Constant) and isinstance(node.value, str) else None


def in_template(source: str) -> Iterator[Text]:
    for call in Environment(autoescape=True).parse(source).find_all(nodes.Call):
        if not isinstance(call.node, nodes.Name) or call.node.name not in {"t", "many"}:
            continue
        texts = [
            each.value for each in call.args if isinstance(each, nodes.Const) and isinstance(each.value, str)
        ]
        if call.node.name == "t" and texts:
            yield texts[0]
        elif len(texts) >= 2:
            yield texts[0], texts[1]


def in_module(source: str) -> Iterator[Text]:
    tokens = list(tokens_of(source))
    for place, token in enumerate(tokens):
        for inner in token.inner:
            yield from in_module(inner)
        if token.kind == "name" and token.value in {"t", "many"} and _opens(tokens, place + 1):
            first, one, many, *_ = [*_arguments(tokens[place + 2 :]), None, None, None]
            if token.value == "t" and first is not None:
                yield first
            elif token.value == "many" and one is not None and many is not None:
                yield one, many


def _opens(tokens: list[Token], place: int) -> bool:
    return place < len(tokens) and tokens[place].kind == "operator" and tokens[place].value == "("


def _arguments(tokens: list[Token]) -> list[str | None]:
    """What a call is given: each argument that is a plain string, ``None`` for any other."""
    depth, current, found = 0, list[Token](), list[str | None]()
    for token in tokens:
        sign = token.value if token.kind == "operator" else ""
        depth += (sign in {"(", "[", "{"}) - (sign in {")", "]", "}"})
        if depth < 0 or (depth == 0 and sign == ","):
            found.append(_joined(current))
            current = []
        else:
            current.append(token)
        if depth < 0:
            break
    return found


def _joined(tokens: list[Token]) -> str | None:
    """``"one " + "two"`` as one text."""
    texts, signs = tokens[::2], tokens[1::2]
    if not texts or any(each.kind != "string" for each in texts) or any(each.value != "+" for each in signs):
        return None
    return "".join(each.value for each in texts)
