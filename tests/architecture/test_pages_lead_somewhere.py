"""What the pages for people name is there: places on other pages, files, commands with their options, targets
of make, settings."""

from __future__ import annotations

import argparse
import re
import subprocess
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path

import pytest
from pydantic import BaseModel

from service.commands import make_parser
from service.settings import Settings
from simulators import cli

ROOT = Path(__file__).parents[2]
PAGES = subprocess.run(
    ["git", "ls-files", "*.md"], cwd=ROOT, capture_output=True, text=True, check=True
).stdout.split()
COMMAND = r"(?:^|/|[(] ?|&& |-- |earlybell )(?:earlybell|bell) ([a-z][a-z-]+)(?!\S)([^|&;#]*)"


def code(text: str) -> Iterator[str]:
    """Lines of blocks and what stands between backticks."""
    for part in re.split(r"(?ms)^```\w*\n(.*?)^```$", text)[1::2]:
        yield from part.replace("\\\n", " ").splitlines()
    rest = re.sub(r"(?ms)^```\w*\n.*?^```$", "", text)
    yield from (found.replace("\n", " ") for found in re.findall(r"`([^`]+)`", rest))


def anchors(page: Path) -> set[str]:
    """As GitHub names the headings."""
    text = re.sub(r"(?ms)^```.*?^```$", "", page.read_text(encoding="utf-8"))
    heads = re.findall(r"(?m)^#+ (.+)$", text)
    return {re.sub(r"[^\w\- ]", "", head.lower()).strip().replace(" ", "-") for head in heads}


@pytest.mark.parametrize("name", PAGES)
def test_each_link_leads_to_a_file_and_a_heading_that_are_there(name: str) -> None:
    page = ROOT / name
    for target in re.findall(r"\]\(([^)\s]+)\)", page.read_text(encoding="utf-8")):
        if not re.match(r"https?:|mailto:", target):
            path, _, anchor = target.partition("#")
            there = page.parent / path if path else page
            assert there.exists(), target
            assert not anchor or anchor in anchors(there), target


@pytest.mark.parametrize("name", PAGES)
def test_each_file_of_ours_and_each_target_of_make_is_there(name: str) -> None:
    targets = re.findall(r"(?m)^([a-z]+):", (ROOT / "Makefile").read_text(encoding="utf-8"))
    for words in code((ROOT / name).read_text(encoding="utf-8")):
        for path in re.findall(r"(?<![\w/.])(?:deploy|scripts|service|simulators|tests)/[\w./-]+\w", words):
            assert (ROOT / path).exists() or (ROOT / f"{path}.py").exists(), path
        for module in re.findall(r"python -m (tests[\w.]+)", words):
            assert find_spec(module), module
        assert set(re.findall(r"(?:^|&& )make ([a-z]+)", words)) <= set(targets), words


def options() -> dict[str, set[str]]:
    """Of each command."""
    [commands] = [a for a in make_parser()._actions if isinstance(a, argparse._SubParsersAction)]
    own = {"simulate": cli.simulate_parser(), "demo": cli.demo_parser()}
    return {
        name: {"--help", *each._option_string_actions, *commands.choices[name]._option_string_actions}
        for name, each in {**commands.choices, **own}.items()
    }


@pytest.mark.parametrize("name", PAGES)
def test_each_command_of_the_program_is_there_with_its_options(name: str) -> None:
    known = options()
    for words in code((ROOT / name).read_text(encoding="utf-8")):
        for command, rest in re.findall(COMMAND, words):
            assert command in known, words
            assert set(re.findall(r"(?<!\S)--[a-z][a-z-]*", rest)) <= known[command], words


@pytest.mark.parametrize("name", PAGES)
def test_each_setting_is_there(name: str) -> None:
    sections = {key: field.annotation for key, field in Settings.model_fields.items()}
    for words in code((ROOT / name).read_text(encoding="utf-8")):
        for section, key in re.findall(r"(?:^|\s)([a-z]+)\.([a-z_]+)(?=$|[ =])", words):
            model = sections.get(section)
            if isinstance(model, type) and issubclass(model, BaseModel):
                assert key in model.model_fields, words
