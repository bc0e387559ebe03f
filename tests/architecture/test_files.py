"""What every file of the project keeps to."""

from __future__ import annotations

import ast
import re

from tests.architecture.sources import committed, modules, where

LONGEST_MODULE = 350

# Where a machine or a package mirror shows through. The lock files name packages and hashes, no address.
MACHINES = re.compile(
    r"/(work|root|Users)/|/home/\w+/|/opt/(pypi|wheels)|\b(pypi|pythonhosted|npmjs|debian)\.(org|com)"
)


def test_every_module_says_what_it_decides():
    silent = [
        where(path)
        for path, tree in modules("service", "simulators", "tests", "alembic")
        if tree.body and not ast.get_docstring(tree)
    ]

    assert silent == []


def test_no_module_is_too_long_to_be_read_in_one_go():
    lengths = {
        where(path): len(path.read_text().splitlines()) for path, _ in modules("service", "simulators")
    }

    assert {path: length for path, length in lengths.items() if length > LONGEST_MODULE} == {}


def test_tests_wait_for_conditions_and_never_just_sleep():
    """Benchmarks keep time on purpose; `eventually` is where a test lets it pass."""
    sleeping = [
        where(path, node)
        for path, tree in modules("tests")
        if not where(path).startswith(("tests/bench/", "tests/support/wait.py"))
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and ast.unparse(node.func) in {"time.sleep", "sleep"}
    ]

    assert sleeping == []


def test_no_file_names_a_machine_or_a_package_mirror():
    named = []
    for path in committed():
        text = path.read_bytes().decode("utf-8", errors="ignore")
        named += [
            f"{where(path)}:{number}: {found.group()}"
            for number, line in enumerate(text.splitlines(), 1)
            if (found := MACHINES.search(line))
        ]

    assert named == []
