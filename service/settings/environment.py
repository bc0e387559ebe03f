"""Lays the environment over what the file says: ``EARLYBELL_SECTION__KEY``, and ``…_FILE`` for secrets.

Only names with a double underscore are ours: cluster software puts others with our prefix there by itself
(``EARLYBELL_PORT``). A single underscore where a double one would hit a key is told, as the slip it is.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from service.settings.problems import Problem, unknown
from service.settings.schema import Key, Where, find, keys_at

PREFIX = "EARLYBELL_"
_MOST_DIGITS = 9
"""Of an entry's number; Python itself reads no more than some thousand."""


class _Unfit(Exception):
    """This variable can't be used; the text says why."""


def overlay(data: dict[str, Any], environ: Mapping[str, str]) -> tuple[dict[Where, str], list[Problem]]:
    """Write the variables into ``data``; return which came from where, and what doesn't fit."""
    origins: dict[Where, str] = {}
    problems = []
    for name in sorted(environ):
        # What is empty isn't set: that is how compositions of containers leave a variable out.
        if not name.startswith(PREFIX) or not environ[name]:
            continue
        try:
            steps = _steps(name, environ[name])
            if steps is None:
                continue
            where, value = _resolve(data, steps, name, environ)
            _put(data, where, value)
            origins[where] = name
        except _Unfit as unfit:
            problems.append(Problem(where=name, what=str(unfit), in_file=False))
    return origins, problems


def _steps(name: str, value: str) -> list[str] | None:
    """The parts of a variable's name; ``None`` when it isn't meant for us."""
    steps = name.removeprefix(PREFIX).lower().split("__")
    if len(steps) > 1 or steps[0] in keys_at(()):
        return steps
    section, _, key = steps[0].partition("_")
    # `tcp://…` is what a cluster writes into PREFIX_WEB_PORT for a service called earlybell-web.
    if key and find((section, key)) and not value.startswith("tcp://"):
        raise _Unfit(f"is ignored as it stands (did you mean {PREFIX}{section.upper()}__{key.upper()}?)")
    return None


def _resolve(
    data: dict[str, Any], steps: list[str], name: str, environ: Mapping[str, str]
) -> tuple[Where, object]:
    where = _where(data, steps)
    key = find(where)
    if key is not None and not isinstance(where[-1], int):
        return where, _value(environ[name], key)
    last = str(where[-1])
    secret = find((*where[:-1], last.removesuffix("_file")))
    if last.endswith("_file") and secret is not None and secret.secret:
        plain = name[: -len("_FILE")]
        if environ.get(plain):
            raise _Unfit(f"{plain} is set too (choose one)")
        return (*where[:-1], last.removesuffix("_file")), _file(environ[name])
    if key is not None:
        raise _Unfit("names a table, not a key in it (add __ and the key)")
    raise _Unfit(unknown(where))


def _where(data: dict[str, Any], steps: list[str]) -> Where:
    """Steps as a place: what follows a list's name is a number, or the name of the entry."""
    where: list[str | int] = []
    for step in steps:
        key = find(tuple(where)) if where and isinstance(where[-1], str) else None
        where.append(_number(data, tuple(where), step) if key and key.many else step)
    return tuple(where)


def _number(data: dict[str, Any], where: Where, step: str) -> int:
    entries = _at(data, where)
    entries = entries if isinstance(entries, list) else []
    names = [_as_variable(str(entry.get("name", ""))) for entry in entries if isinstance(entry, dict)]
    if step in names:
        return names.index(step)
    if not step.isdecimal():
        raise _Unfit(f"there is no entry called {step} (its number from 0, or its name)")
    if len(step) > _MOST_DIGITS or int(step) > len(entries):
        raise _Unfit(f"entry {step} leaves a hole (the next one is {len(entries)})")
    return int(step)


def _as_variable(name: str) -> str:
    return re.sub(r"[^a-z0-9]", "_", name.lower())


def _value(text: str, key: Key) -> object:
    if not key.models:
        return text
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        raise _Unfit("is not JSON (a table or a list of tables is written as JSON here)") from None


def _file(path: str) -> str:
    try:
        return Path(path).read_text(encoding="utf-8").strip()
    except OSError as error:
        raise _Unfit(f"the file {path} can't be read ({error.strerror})") from None
    except UnicodeDecodeError:
        raise _Unfit(f"the file {path} is not UTF-8 text") from None


def _at(data: Any, where: Where) -> Any:
    for step in where:
        if isinstance(data, list) and isinstance(step, int) and step < len(data):
            data = data[step]
        elif isinstance(data, dict):
            data = data.get(str(step))
        else:
            return None
    return data


def _put(data: dict[str, Any], where: Where, value: object) -> None:
    """Set one place, making the tables on the way. Where no table can be, the validation will say so."""
    for end in range(1, len(where)):
        inner, step = _at(data, where[: end - 1]), where[end - 1]
        fresh: Any = [] if isinstance(where[end], int) else {}
        if isinstance(inner, list) and step == len(inner):
            inner.append(fresh)
        elif isinstance(inner, dict):
            inner.setdefault(str(step), fresh)
    table = _at(data, where[:-1])
    if isinstance(table, dict):
        table[str(where[-1])] = value
