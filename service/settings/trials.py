"""What is tried instead of the settings in force: ``warn.lead_panels=5,10,15``, held to the same bounds.

Keys of ``[warn]`` and of ``[plan]``, several values each; what is tried is every choice of one value of each
key. Rules and prices of parts are tables: they are tried as a whole other file.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import product
from math import prod
from typing import Any

import msgspec
from pydantic import ValidationError

from service.settings.loading import SettingsError
from service.settings.problems import describe
from service.settings.sections import Settings

_SECTIONS = ("warn", "plan")
_TABLES = ("rules", "parts")
_LONGEST = 100_000
Choice = Mapping[str, Any]
"""By key, such as ``warn.chance``."""


def choices(words: Sequence[str], *, most: int) -> tuple[list[Choice], list[str]]:
    """Every choice of one value of each key, and what is wrong with those that can't be together. Raises
    ``SettingsError`` for what can't be alone, and for more than ``most`` choices."""
    values: dict[str, list[Any]] = {}
    problems: list[str] = []
    for word in words:
        key, _, said = word.partition("=")
        key = key.strip()
        try:
            found = [_value(key, each) for each in _parts(word, said)]
            values[key] = list(dict.fromkeys([*values.get(key, []), *found]))
        except SettingsError as error:
            problems += error.lines
    if problems:
        raise SettingsError([f"--set {line}" for line in problems])
    if (number := prod(map(len, values.values()))) > most:
        raise SettingsError([f"--set: {number} choices are more than {most}"])
    return _together(values)


def _together(values: Mapping[str, Sequence[Any]]) -> tuple[list[Choice], list[str]]:
    fitting: list[Choice] = []
    problems: list[str] = []
    for picked in product(*values.values()) if values else ():
        choice = dict(zip(values, picked, strict=True))
        try:
            _read(choice)
        except SettingsError as error:
            said = " ".join(f"{key}={value}" for key, value in choice.items())
            problems += [f"{said}: {line}" for line in error.lines]
        else:
            fitting.append(choice)
    return fitting, problems


def _parts(word: str, said: str) -> list[str]:
    parts = [each.strip() for each in said.split(",") if each.strip()]
    if not parts:
        raise SettingsError([f"{word}: say a key and its values (such as warn.lead_panels=5,10,15)"])
    return parts


def _value(key: str, said: str) -> Any:
    section, _, name = key.partition(".")
    known = list(_known())
    if key not in known:
        raise SettingsError([f"{key}: can't be tried (known: {', '.join(known)})"])
    return getattr(getattr(_read({key: _plain(said)}), section), name)


def _known() -> Iterator[str]:
    for section in _SECTIONS:
        kind = Settings.model_fields[section].annotation
        fields = getattr(kind, "model_fields", {})
        yield from (f"{section}.{name}" for name in fields if name not in _TABLES)


def _plain(said: str) -> Any:
    """A number where it is one."""
    try:
        return msgspec.json.decode(said.encode())
    except msgspec.DecodeError:
        return said


def _read(choice: Choice) -> Settings:
    tables: dict[str, dict[str, Any]] = {}
    for key, value in choice.items():
        section, _, name = key.partition(".")
        tables.setdefault(section, {})[name] = value
    if "warn.lead_panels" not in choice:
        # What is urgent is held against the lead in force, which isn't known here.
        tables.setdefault("warn", {})["lead_panels"] = _LONGEST
    try:
        return Settings.model_validate(tables)
    except ValidationError as error:
        problems = describe(error, {})
        raise SettingsError([problem.line("") for problem in problems]) from None
