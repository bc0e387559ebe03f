"""Writes what the program says into ``words.pot`` and takes it over into each catalogue, keeping what is
translated. Then it says what each still lacks.
"""

from __future__ import annotations

import io
import sys
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.pofile import write_po

from service.language.speech import read
from tests.words.gather import WORDS, gather

LACKING = "\n  lacks: "


def main() -> int:
    texts = gather()
    texts.header_comment = (
        "# Every text for people. Copy it to xx.po, where xx is a language, and fill it in."
    )
    _write(WORDS / "words.pot", texts)
    complete = True
    for file in sorted(WORDS.glob("*.po")):
        catalogue = read(file)
        catalogue.update(texts, no_fuzzy_matching=True, update_header_comment=False)
        catalogue.obsolete.clear()
        _write(file, catalogue)
        missing = [
            str(each.id) for each in catalogue if each.id and (each.fuzzy or not all(_forms(each.string)))
        ]
        complete = complete and not missing
        print(f"{file.name}: {len(catalogue)} texts", *missing, sep=LACKING)
    return 0 if complete else 1


def _forms(said: object) -> tuple[object, ...]:
    return tuple(said) if isinstance(said, tuple | list) else (said,)


def _write(file: Path, catalogue: Catalog) -> None:
    """Without dates, names and lines, which would make a change of every run."""
    into = io.BytesIO()
    write_po(into, catalogue, width=110, sort_output=True, include_lineno=False, omit_header=False)
    lines = into.getvalue().decode().split("\n")
    needless = "Project-Id Report-Msgid POT-Creation PO-Revision Generated-By Last-Translator Language-Team"
    dated = tuple(f'"{each}' for each in needless.split())
    file.write_text("\n".join(line for line in lines if not line.startswith(dated)), encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
