"""Which commands there are, and that one doesn't load what only others need."""

from __future__ import annotations

import argparse
import subprocess
import sys

import pytest

from service.commands import GROUPS, make_parser


def commands_of(parser: argparse.ArgumentParser) -> list[str]:
    [commands] = [each for each in parser._actions if isinstance(each, argparse._SubParsersAction)]
    return list(commands.choices)


@pytest.mark.parametrize("words", [[], ["--help"], ["no-such-command"]])
def test_all_commands_are_in_the_table_in_their_order(words):
    assert commands_of(make_parser(words)) == [name for names in GROUPS.values() for name in names]


@pytest.mark.parametrize("names", GROUPS.values())
def test_a_command_comes_with_its_own_group_alone(names):
    for name in names:
        assert commands_of(make_parser([name, "--help"])) == list(names)


def test_the_service_starts_without_the_simulators():
    loaded = "import sys; from service.commands import make_parser; make_parser(['run']); print(*sys.modules)"
    modules = subprocess.run(
        [sys.executable, "-c", loaded], capture_output=True, text=True, check=True
    ).stdout.split()
    assert "service.bootstrap" in modules
    assert not [each for each in modules if each.startswith("simulators")]
