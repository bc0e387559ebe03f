"""The project's own files, as the architecture tests read them."""

from __future__ import annotations

import ast
import functools
import gc
import subprocess
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[2]


def modules(*folders: str) -> Iterator[tuple[Path, ast.Module]]:
    """Every Python file below the folders, parsed."""
    for folder in folders:
        yield from _parsed(folder)


def where(path: Path, node: ast.AST | None = None) -> str:
    """``service/web/api.py:12``"""
    line = getattr(node, "lineno", None)
    return str(path.relative_to(ROOT)) + (f":{line}" if line else "")


def committed() -> list[Path]:
    """The files that are in the repository or would be with the next commit."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    paths = (ROOT / name for name in listed.stdout.split("\0") if name)
    return sorted(path for path in paths if path.is_file())


@functools.cache
def _parsed(folder: str) -> list[tuple[Path, ast.Module]]:
    gc.disable()  # it would look through millions of nodes again and again, none of which is to go
    try:
        paths = sorted((ROOT / folder).rglob("*.py"))
        return [(path, ast.parse(path.read_text(encoding="utf-8"), str(path))) for path in paths]
    finally:
        gc.enable()
