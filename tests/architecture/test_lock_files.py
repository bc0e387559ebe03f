"""The lock files fit pyproject.toml: what is declared is pinned, with hashes and without addresses."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.architecture.sources import ROOT
from tests.supplied import locked
from tests.supplied.locked import DEVELOPMENT, RUNTIME

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
    bare = [pin.name for pin in locked.pins(path) if not pin.hashes]
    options = [line for line in text.splitlines() if line.startswith("-") or "://" in line or " @ " in line]

    assert pins(path)
    assert (bare, options) == ([], []), ADVICE


def pins(path: Path) -> Mapping[str, str]:
    return {pin.name: pin.version for pin in locked.pins(path)}


def unmet(declared: list[str], pinned: Mapping[str, str]) -> list[str]:
    needs = [Requirement(text) for text in declared]
    return [
        f"{need} (pinned: {pinned.get(canonicalize_name(need.name), 'no')})"
        for need in needs
        if not need.specifier.contains(pinned.get(canonicalize_name(need.name), "0"), prereleases=True)
    ]
