"""Under which licence each locked package comes: ``deploy/licences.md``, made by ``make licences``.

Read from what is installed; a package that doesn't say it in SPDX's words, or isn't installed on this Python,
is settled by hand below. What isn't on the list of licences that we take is refused, unless an exception says
why.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from importlib import metadata

from packaging.licenses import InvalidLicenseExpression, canonicalize_license_expression

from tests.supplied.locked import DEVELOPMENT, ROOT, RUNTIME, Pin, pins

PAGE = ROOT / "deploy" / "licences.md"

TAKEN = {
    "0BSD", "Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "CC0-1.0", "ISC", "MIT", "MIT-0", "MIT-CMU",
    "PSF-2.0", "Zlib",
}  # fmt: skip
"""They ask for their notice to be kept, if for anything."""

EXCEPTIONS = {
    "certifi": "MPL-2.0 covers its own files, which are shipped as they are",
    "hypothesis": "MPL-2.0 covers its own files; tests only",
    "pathspec": "MPL-2.0 covers its own files; builds only",
    "psycopg": "LGPL-3.0: a library of its own, unchanged, that anybody can exchange where it is installed",
    "psycopg-binary": "as psycopg",
    "py-vapid": "MPL-2.0 covers its own files, which are shipped as they are",
    "pyphen": "MPL-1.1 of the three it offers: covers its own files, which are shipped as they are",
}

BY_HAND = {
    "axe-playwright-python": "MIT",
    "brotlicffi": "MIT",  # for PyPy
    "colorama": "BSD-3-Clause",  # for Windows
    "grimp": "BSD-2-Clause",
    "import-linter": "BSD-2-Clause",
    "protobuf": "BSD-3-Clause",
    "pyphen": "GPL-2.0-or-later OR LGPL-2.1-or-later OR MPL-1.1",
    "pywin32": "PSF-2.0",  # for Windows
    "scipy": "BSD-3-Clause",
}

_CLASSIFIERS = {
    "Apache Software License": "Apache-2.0",
    "BSD License": "BSD-3-Clause",
    "ISC License (ISCL)": "ISC",
    "MIT License": "MIT",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
    "Python Software Foundation License": "PSF-2.0",
}


class UnknownLicence(Exception):
    """Nothing says under which licence it comes. Look it up and write it into ``BY_HAND``."""


def licence_of(name: str) -> str:
    """An SPDX expression."""
    if name in BY_HAND:
        return BY_HAND[name]
    try:
        said = metadata.metadata(name)
    except metadata.PackageNotFoundError:
        raise UnknownLicence(
            f"{name}: isn't installed, so its licence has to be written into BY_HAND"
        ) from None
    own = [said[key] for key in ("License-Expression", "License") if key in said]
    for text in (*own, *_classified(said)):
        try:
            return str(canonicalize_license_expression(text))
        except InvalidLicenseExpression:
            continue
    raise UnknownLicence(
        f"{name}: doesn't say its licence in SPDX's words: look it up, write it into BY_HAND"
    )


def refused(packages: Iterable[Pin]) -> list[str]:
    """The packages that we may not take, with their licences. Of several offered one is enough."""
    return [
        f"{pin.name}: {licence}"
        for pin in packages
        if pin.name not in EXCEPTIONS and not _is_taken(licence := licence_of(pin.name))
    ]


def page() -> str:
    """The text of ``deploy/licences.md``."""
    runs = pins(RUNTIME)
    ships = {pin.name for pin in runs}
    lines = [
        "# Licences of what Earlybell is built from",
        "",
        "Made by `make licences` from the lock files; `make check` holds it. Earlybell is under Apache-2.0.",
        "Each package brings the text of its licence along, in its `.dist-info` folder.",
        "",
        "## Shipped",
        "",
        *_table(runs),
        "",
        "## For demo, tests and building",
        "",
        *_table(pin for pin in pins(DEVELOPMENT) if pin.name not in ships),
        "",
        "## Taken although not on the list",
        "",
        f"The list: {', '.join(sorted(TAKEN))}.",
        "",
        *(f"- {name}: {why}." for name, why in sorted(EXCEPTIONS.items())),
    ]
    return "\n".join(lines) + "\n"


def _table(packages: Iterable[Pin]) -> Iterator[str]:
    yield "| package | version | licence |"
    yield "| --- | --- | --- |"
    yield from (f"| {pin.name} | {pin.version} | {licence_of(pin.name)} |" for pin in packages)


def _classified(said: metadata.PackageMetadata) -> list[str]:
    named = [text.rsplit(" :: ", 1)[-1] for text in said.get_all("Classifier") or [] if "License ::" in text]
    known = sorted({_CLASSIFIERS[name] for name in named if name in _CLASSIFIERS})
    return [" OR ".join(known)] if known else []


def _is_taken(expression: str) -> bool:
    """Of ``A OR B`` one, of ``A AND B`` all. No package nests them; one that does is not taken."""
    if "(" in expression:
        return False
    offers = [re.split(r" AND ", offer) for offer in expression.split(" OR ")]
    return any(all(part in TAKEN for part in offer) for offer in offers)


if __name__ == "__main__":
    print(page(), end="")
