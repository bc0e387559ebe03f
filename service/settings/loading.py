"""From a file, the environment and secret files to one ``Settings``, or to the list of all that is wrong.

The environment wins over the file. Nothing here reads the process's own environment: it is handed in.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from service.settings.environment import overlay
from service.settings.problems import Problem, describe
from service.settings.sections import Settings


class SettingsError(Exception):
    """The configuration doesn't fit. ``lines`` holds every problem as ``where: what (what is allowed)``."""

    def __init__(self, lines: list[str]) -> None:
        super().__init__("\n".join(lines))
        self.lines = lines


def load(path: Path | None, environ: Mapping[str, str]) -> Settings:
    """The settings of the file at ``path`` (none: the defaults) under those of ``environ``.

    ``EARLYBELL_WEB__PORT`` sets ``port`` in ``[web]``, ``EARLYBELL_OUTLET__0__URL`` the first outlet's
    address (so does ``…__{its name}__URL``), and ``EARLYBELL_MQTT__PASSWORD_FILE`` names a file whose
    stripped text is the secret. Raises ``SettingsError``.
    """
    data = _read(path) if path else {}
    origins, problems = overlay(data, environ)
    settings = None
    try:
        settings = Settings.model_validate(data)
    except ValidationError as error:
        problems += describe(error, origins)
    problems += _disagreements(data)
    if settings is None or problems:
        source = f"{path}: " if path else ""
        raise SettingsError([problem.line(source) for problem in problems])
    return settings


def _read(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise SettingsError([f"{path}: can't be read ({error.strerror})"]) from None
    except UnicodeDecodeError:
        raise SettingsError([f"{path}: is not UTF-8 text"]) from None
    except (ValueError, RecursionError) as error:  # also numbers and nesting beyond what Python reads
        raise SettingsError([f"{path}: is not TOML ({error})"]) from None


def _disagreements(data: Mapping[str, Any]) -> list[Problem]:
    """What no key can see alone. Looks at the raw values, so it also speaks when other things are wrong."""
    names = [outlet.get("name") for outlet in _tables(data.get("outlet"))]
    problems = [
        Problem(
            where=f"outlet[{number}].name", what=f"{name} is taken by an outlet before it (choose another)"
        )
        for number, name in enumerate(names)
        if name is not None and name in names[:number]
    ]
    return problems + _strangers(data, {name for name in names if isinstance(name, str)})


def _strangers(data: Mapping[str, Any], outlets: set[str]) -> list[Problem]:
    """Names that nothing bears: of outlets, of persons, of rosters."""
    people = {name for each in _tables(data.get("person")) if isinstance(name := each.get("name"), str)}
    rosters = {name for each in _tables(data.get("duty")) if isinstance(name := each.get("roster"), str)}
    meant = [
        ("route", "outlets", "outlet", outlets),
        ("heartbeat", "outlets", "outlet", outlets),
        ("digest", "outlets", "outlet", outlets),
        ("person", "outlets", "outlet", outlets),
        ("duty", "people", "person", people),
        ("route", "people", "person or roster", people | rosters),
        ("route", "escalate_to", "person or roster", people | rosters),
    ]
    problems = [
        Problem(
            where=f"{section}.{key}" if isinstance(data[section], dict) else f"{section}[{number}].{key}",
            what=f"there is no {what} {name!r} (known: {', '.join(sorted(known)) or 'none'})",
        )
        for section, key, what, known in meant
        for number, table in enumerate(_tables(data.get(section)))
        for name in _names(table.get(key))
        if name not in known
    ]
    return problems + [
        Problem(where="duty", what=f"{name!r} is a person and a roster (call one of them otherwise)")
        for name in sorted(people & rosters)
    ]


def _tables(value: object) -> list[dict[str, Any]]:
    listed = [value] if isinstance(value, dict) else value if isinstance(value, list) else []
    return [item if isinstance(item, dict) else {} for item in listed]


def _names(value: object) -> list[str]:
    names = value.split(",") if isinstance(value, str) else value if isinstance(value, list) else []
    return [name.strip() for name in names if isinstance(name, str) and name.strip()]
