"""Whether the program stands on what it was made for: Python, its libraries, the databases' own code."""

from __future__ import annotations

import re
import sqlite3
import ssl
import sys
from collections.abc import Iterator, Mapping
from datetime import date
from importlib import metadata
from pathlib import Path

from service.checkup.case import Case
from service.checkup.finding import Finding, good, look, wrong
from service.domain.model import to_datetime

AREA = "versions"
LEAST = (3, 11)
MENDED = {(3, 11): 10, (3, 12): 5, (3, 13): 0}
"""The first patch release of each line with the answers to CVE-2024-4032 (which addresses are public) and
CVE-2024-6923 (line ends in mail headers), by Python's own changelogs."""
ENDS = {
    (3, 11): date(2027, 10, 31),
    (3, 12): date(2028, 10, 31),
    (3, 13): date(2029, 10, 31),
    (3, 14): date(2030, 10, 31),
}
"""When security fixes end, as PEP 664, 693, 719 and 745 plan it."""
_PINNED = re.compile(r"(?P<name>[A-Za-z0-9._-]+)==(?P<version>[^\s;\\]+)\s*(?:;(?P<marker>[^\\]*))?")
_NAME = re.compile(r"[A-Za-z0-9._-]+")
_SHOWN = 5


def versions(case: Case) -> Iterator[Finding]:
    yield from python(sys.version_info[:3], to_datetime(case.clock()).date())
    yield from libraries(lock_file(), installed())
    yield good(AREA, f"{ssl.OPENSSL_VERSION.partition('  ')[0]}, SQLite {sqlite3.sqlite_version}")


def python(found: tuple[int, ...], today: date) -> Iterator[Finding]:
    shown, line = ".".join(map(str, found)), (found[0], found[1])
    if line < LEAST:
        yield wrong(AREA, f"Python {shown} is too old", "use Python 3.11 or newer")
        return
    needed = MENDED.get(line, 0)
    if found[2] < needed:
        yield look(
            AREA,
            f"Python {shown} lacks fixes for addresses and mail headers; we guard both ourselves",
            f"use {line[0]}.{line[1]}.{needed} or newer (a distribution may have put the fixes in)",
        )
    elif line in ENDS and ENDS[line] < today:
        yield look(AREA, f"Python {shown} gets no more security fixes", "use a newer Python")
    else:
        yield good(AREA, f"Python {shown}")


def lock_file() -> Path | None:
    """What the tests ran with, where this is a source checkout; ``None``: an installed package has none."""
    found = Path(__file__).parents[2] / "requirements.lock"
    return found if found.is_file() else None


def installed() -> Mapping[str, str]:
    return {_plain(each.name): each.version for each in metadata.distributions() if each.name}


def libraries(lock: Path | None, here: Mapping[str, str]) -> Iterator[Finding]:
    """What is installed against what was locked, or against what the package itself asks for."""
    pinned = _needed() if lock is None else _pinned(lock)
    missing = sorted(pinned.keys() - here.keys())
    others = sorted(
        name for name, version in pinned.items() if version and here.get(name, version) != version
    )
    if missing:
        yield wrong(AREA, f"not installed: {_some(missing)}", "install from the lock file again")
    if others:
        told = _some([f"{name} {here[name]} (tested: {pinned[name]})" for name in others])
        yield look(AREA, f"other versions than were tested: {told}", "install from the lock file")
    if not missing and not others:
        how = (
            "as they were tested"
            if lock is not None
            else "are there; the lock file isn't, to compare versions"
        )
        yield good(AREA, f"{len(pinned)} libraries {how}")


def _pinned(lock: Path) -> dict[str, str | None]:
    return {
        _plain(each["name"]): each["version"]
        for line in lock.read_text(encoding="utf-8").splitlines()
        if (each := _PINNED.match(line)) and not each["marker"]
    }


def _needed() -> dict[str, str | None]:
    """By the package's own metadata, without its extras."""
    try:
        asked = metadata.requires("earlybell") or []
    except metadata.PackageNotFoundError:
        return {}
    return {_plain(found[0]): None for each in asked if ";" not in each and (found := _NAME.match(each))}


def _some(names: list[str]) -> str:
    more = f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else ""
    return ", ".join(names[:_SHOWN]) + more


def _plain(name: str) -> str:
    """As PyPA's specification compares names."""
    return re.sub(r"[-_.]+", "-", name).lower()
