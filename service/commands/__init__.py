"""The commands, a module for each group of them; a group's ``add`` gives its commands to the parser.

``GROUPS`` is their order in ``earlybell --help``. A new command joins the group it belongs to, or brings a
module of its own and a place in that list. None of them reads the environment: it comes with the words.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from importlib import import_module

from service.commands.common import Adding, common_options

Command = Callable[[argparse.Namespace], int]

GROUPS = {
    "running": ("run", "upgrade-store"),
    "checked": ("check",),
    "safekeeping": ("backup", "restore", "prune"),
    "exported": ("export",),
    "replayed": ("replay",),
    "recorded": ("forecast",),
    "reviewed": ("review",),
    "supposed": ("what-if",),
    "listening": ("listen",),
    "outlets": ("outlets",),
    "labels": ("label",),
    "who": ("who",),
    "access": ("token", "account", "end-links", "accounts"),
    "admitted": ("sessions", "emergency"),
    "made_up": ("simulate", "demo"),
}
"""Modules of this package, and their commands in the order in which ``add`` gives them."""
TAKE_WORDS_OF_THEIR_OWN = GROUPS["made_up"]


def written_out(words: Sequence[str]) -> list[str]:
    """``review FILE --what-if`` is ``what-if FILE``."""
    if words[:1] == ["review"] and "--what-if" in words:
        return ["what-if", *(word for word in words[1:] if word != "--what-if")]
    return list(words)


def make_parser(words: Sequence[str] = ()) -> argparse.ArgumentParser:
    """Of the command that ``words`` begin with, else of all. A group is loaded only where it is needed: all
    of them take 9 MB and a third of a second more than ``run``."""
    parser = argparse.ArgumentParser(
        prog="earlybell",
        description="Says which supply slot runs empty, how many panels from now, before the machine does.",
    )
    commands: Adding = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    common = common_options()
    asked = [group for group, names in GROUPS.items() if {*names} & {*words[:1]}]
    for group in asked or GROUPS:
        import_module(f"{__name__}.{group}").add(commands, common)
    return parser
