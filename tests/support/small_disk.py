"""A disk of a few megabytes that can be filled: a file system in memory, which only root may mount."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


@contextmanager
def small_disk(folder: Path, *, megabytes: int) -> Iterator[Path]:
    """``folder`` as a file system of its own; skips the test where none can be mounted, and says why."""
    with mounted(folder, megabytes=megabytes) as why_not:
        if why_not is not None:
            pytest.skip(why_not)
        yield folder


@contextmanager
def mounted(folder: Path, *, megabytes: int) -> Iterator[str | None]:
    """The same, or why ``folder`` is an ordinary one."""
    folder.mkdir(parents=True, exist_ok=True)
    if os.geteuid() != 0:
        yield "a small disk needs a mount, and only root may mount"
        return
    command = ["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "tmpfs", str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        yield f"a small disk can't be mounted here: {done.stderr.strip()}"
        return
    try:
        yield None
    finally:
        subprocess.run(["umount", "--lazy", str(folder)], check=True)


def fill(folder: Path, *, leave: int = 0) -> Path:
    """Take all room but ``leave`` bytes; deleting the file that is returned gives it back."""
    usage = os.statvfs(folder)
    stuffing = folder / "stuffing"
    with stuffing.open("wb") as file:
        os.posix_fallocate(file.fileno(), 0, max(1, usage.f_bavail * usage.f_frsize - leave))
    return stuffing
