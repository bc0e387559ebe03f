"""The command for whoever writes a ``[[label]]``: ``label`` says what a text is read as, and why."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from datetime import UTC

from service.commands.common import Adding, problem, settings_of
from service.domain.labels import Label, Unreadable, read_label
from service.domain.labels_fields import IDENTIFIERS
from service.domain.labels_gs1 import element_of
from service.domain.labels_text import LONGEST
from service.domain.said import put


def add(commands: Adding, common: argparse.ArgumentParser) -> None:
    command = commands.add_parser("label", parents=[common], help="say what the text of a label is read as")
    command.add_argument(
        "text",
        nargs="?",
        metavar="TEXT",
        help="as scanned, or with <GS>, <RS>, <EOT>; else from standard input",
    )
    command.add_argument(
        "--expect", action="append", default=[], metavar="PART", help="a part that it may be; may be repeated"
    )
    command.set_defaults(run=_label)


def _label(known: argparse.Namespace) -> int:
    patterns = settings_of(known).label_patterns()
    text = sys.stdin.read(LONGEST + 1) if known.text is None else known.text
    try:
        label = read_label(text, patterns, expected=known.expect)
    except Unreadable as unreadable:
        return problem(f"label: {unreadable}")
    for line in _lines(label):
        print(line)
    return 0


def _lines(label: Label) -> Iterator[str]:
    yield f"read as {label.format}"
    says = {
        "part": label.part,
        "quantity": label.quantity,
        "lot": label.lot,
        "supply": label.supply,
        "moisture level": label.moisture_level,
    }
    for name, value in says.items():
        yield f"  {name}: {'-' if value is None else value}"
    if len(label.names) > 1:
        yield f"  may also be called: {', '.join(label.names[1:])}"
    for identifier, value in label.rest:
        yield f"  {identifier} ({_title(identifier)}): {value}"
    for said in label.tolerated:
        yield f"  put up with: {put(said, UTC)}"


def _title(identifier: str) -> str:
    known = IDENTIFIERS.get(identifier)
    if known is not None:
        return known.title
    named, element = element_of(identifier) if identifier[:1].isdigit() else ("", None)
    return element.title if element is not None and named == identifier else "not known here"
