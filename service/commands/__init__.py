"""The commands, a module for each group of them; a group's ``add`` gives its commands to the parser.

``GROUPS`` is their order in ``earlybell --help``. A new command joins the group it belongs to, or brings a
module of its own and a place in that list. None of them reads the environment: it comes with the words.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence

from service.commands import (
    access,
    admitted,
    checked,
    exported,
    labels,
    listening,
    made_up,
    outlets,
    recorded,
    replayed,
    reviewed,
    running,
    safekeeping,
    supposed,
    who,
)
from service.commands.common import Adding, common_options

Command = Callable[[argparse.Namespace], int]

GROUPS = (
    running,
    checked,
    safekeeping,
    exported,
    replayed,
    recorded,
    reviewed,
    supposed,
    listening,
    outlets,
    labels,
    who,
    access,
    admitted,
    made_up,
)
TAKE_WORDS_OF_THEIR_OWN = made_up.NAMES


def written_out(words: Sequence[str]) -> list[str]:
    """``review FILE --what-if`` is ``what-if FILE``."""
    if words[:1] == ["review"] and "--what-if" in words:
        return ["what-if", *(word for word in words[1:] if word != "--what-if")]
    return list(words)


def make_parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="earlybell",
        description="Says which supply slot runs empty, how many panels from now, before the machine does.",
    )
    commands: Adding = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    common = common_options()
    for group in GROUPS:
        group.add(commands, common)
    return parser
