"""Who may know whom: the contracts of pyproject.toml, and what the pure part keeps away from."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

from tests.architecture.sources import ROOT, modules, where

# Pure computation only. A new name here needs a reason that holds for a replay: same input, same result.
ALLOWED_IN_THE_DOMAIN = {
    "__future__", "abc", "array", "base64", "bisect", "calendar", "collections", "contextlib", "copy",
    "dataclasses", "datetime", "decimal", "enum", "fnmatch", "fractions", "functools", "hashlib",
    "heapq", "itertools", "json", "math", "msgspec", "numbers", "numpy", "operator", "re", "re2", "scipy",
    "service", "statistics", "string", "struct", "textwrap", "types", "typing", "typing_extensions",
    "unicodedata", "zlib", "zoneinfo",
}  # fmt: skip
CLOCKS_AND_DOORS = {
    "default_rng",
    "input",
    "now",
    "open",
    "print",
    "read_text",
    "today",
    "utcnow",
    "write_text",
}


def test_imports_keep_to_the_layers():
    lint = subprocess.run(
        [Path(sys.executable).with_name("lint-imports"), "--no-logo", "--no-cache"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )

    assert lint.returncode == 0, lint.stdout + lint.stderr


def test_the_domain_imports_pure_computation_only():
    offenders = [
        f"{where(path, node)} imports {name}"
        for path, tree in modules("service/domain")
        for node, name in _imported(tree)
        if name.partition(".")[0] not in ALLOWED_IN_THE_DOMAIN
    ]

    assert offenders == []


def test_the_domain_reads_no_clock_and_opens_nothing():
    offenders = [
        f"{where(path, call)} calls {name}"
        for path, tree in modules("service/domain")
        for call, name in _called(tree)
        if name in CLOCKS_AND_DOORS
    ]

    assert offenders == []


def test_only_the_command_line_reads_the_environment():
    offenders = [
        where(path, node)
        for path, tree in modules("service")
        if path.name != "__main__.py"
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute) and node.attr in {"environ", "environb", "getenv"}
    ]

    assert offenders == []


def _imported(tree: ast.Module) -> Iterator[tuple[ast.stmt, str]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield node, node.module or ""


def _called(tree: ast.Module) -> Iterator[tuple[ast.Call, str]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            match node.func:
                case ast.Name(id=name) | ast.Attribute(attr=name):
                    yield node, name
