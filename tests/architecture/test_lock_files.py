"""The lock files fit pyproject.toml: what is declared is pinned, with hashes and without addresses."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.architecture.sources import ROOT

RUNTIME, DEVELOPMENT = ROOT / "requirements.lock", ROOT / "requirements-dev.lock"
PIN = re.compile(
    r"^(?P<name>[A-Za-z0-9._-]+)(\[.*\])?==(?P<version>\S+)(?P<rest>.*(?:\n    --hash.*)*)", re.MULTILINE
)
ADVICE = "run `make lock` and commit the lock files"


@pytest.fixture(scope="module")
def project() -> dict:
    return tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def test_every_declared_dependency_is_pinned_to_a_version_that_fits(project):
    declared = project["dependencies"]
    extra = [need for needs in project["optional-dependencies"].values() for need in needs]

    assert unmet(declared, pins(RUNTIME)) == [], ADVICE
    assert unmet(declared + extra, pins(DEVELOPMENT)) == [], ADVICE


def test_what_ships_is_what_is_tested():
    tested = pins(DEVELOPMENT)

    assert {name: version for name, version in pins(RUNTIME).items() if tested.get(name) != version} == {}, (
        ADVICE
    )


@pytest.mark.parametrize("path", [RUNTIME, DEVELOPMENT], ids=lambda path: path.name)
def test_every_pin_has_hashes_and_nothing_has_an_address(path: Path):
    text = path.read_text(encoding="utf-8")
    bare = [match["name"] for match in PIN.finditer(text) if "--hash=sha256:" not in match["rest"]]
    options = [line for line in text.splitlines() if line.startswith("-") or "://" in line or " @ " in line]

    assert pins(path)
    assert (bare, options) == ([], []), ADVICE


def pins(path: Path) -> dict[str, str]:
    text = path.read_text(encoding="utf-8")
    return {canonicalize_name(match["name"]): match["version"] for match in PIN.finditer(text)}


def unmet(declared: list[str], pinned: dict[str, str]) -> list[str]:
    needs = [Requirement(text) for text in declared]
    return [
        f"{need} (pinned: {pinned.get(canonicalize_name(need.name), 'no')})"
        for need in needs
        if not need.specifier.contains(pinned.get(canonicalize_name(need.name), "0"), prereleases=True)
    ]
