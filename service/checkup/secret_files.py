"""Who else may read or change the files that hold secrets. Nothing of what is in them is looked at."""

from __future__ import annotations

import stat
import tomllib
from collections.abc import Iterator
from pathlib import Path

from service.checkup.case import Case
from service.checkup.finding import Finding, good, look, wrong
from service.settings.environment import PREFIX
from service.settings.schema import Where, find

AREA = "secrets"
_CONFIGURATION = "the configuration"
_MOUNTED = Path("/run/secrets")
"""Where containers are given theirs: readable to the container's users, of whom there is one."""


def secrets(case: Case) -> Iterator[Finding]:
    files = dict(_files(case))
    troubled = [each for name, file in files.items() for each in _judged(name, file)]
    yield from troubled
    if files and not troubled:
        yield good(AREA, f"{len(files)} files with secrets are closed to others")


def _files(case: Case) -> Iterator[tuple[str, Path]]:
    settings = case.settings
    for name, value in case.environment.items():
        if name.startswith(PREFIX) and name.endswith("_FILE") and value:
            yield name, Path(value)
    named = [("web.tls_key", settings.web.tls_key), ("mqtt.key_file", settings.mqtt.key_file)]
    named += [(f"source {each.name}: key_file", each.key_file) for each in settings.sources]
    for name, key in named:
        if key is not None:
            yield name, Path(key)
    if case.config is not None and _holds_secrets(case.config):
        yield _CONFIGURATION, case.config
    if case.store_file is not None and case.store_file.exists():
        yield "the store", case.store_file


def _holds_secrets(config: Path) -> bool:
    """Whether a key that is secret has its value in this file itself."""
    try:
        data = tomllib.loads(config.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return any(_is_secret(where, value) for where, value in _values(data, ()))


def _values(data: object, where: Where) -> Iterator[tuple[Where, object]]:
    if isinstance(data, dict):
        for name, value in data.items():
            yield from _values(value, (*where, name))
    elif isinstance(data, list):
        for number, value in enumerate(data):
            yield from _values(value, (*where, number))
    else:
        yield where, data


def _is_secret(where: Where, value: object) -> bool:
    key = find(where)
    return key is not None and key.secret and not str(value).startswith("sqlite:")


def _judged(name: str, file: Path) -> Iterator[Finding]:
    try:
        mode = file.stat().st_mode
    except OSError:
        return  # what can't be read was told when it was to be
    if not stat.S_ISREG(mode) or file.is_relative_to(_MOUNTED):
        return
    change = read = f"chmod o-rwx {file}"
    if name == _CONFIGURATION:  # whom the service runs as may be among the others, and must read it
        change, read = (
            f"chmod o-w {file}",
            "move each secret into a file of its own (EARLYBELL_…_FILE names it)",
        )
    if mode & stat.S_IWOTH:
        yield wrong(AREA, f"{name}: everybody on this machine may change {file}", change)
    elif mode & stat.S_IROTH:
        yield look(AREA, f"{name}: everybody on this machine may read {file}", read)
