"""Clients, encoders and schemas made by others for Node, as the lock file in ``tests/foreign`` names them."""

from __future__ import annotations

import fcntl
import functools
import hashlib
import shutil
import subprocess
from pathlib import Path

import pytest

FOREIGN = Path(__file__).parents[1] / "foreign"
_AWAY = ("ENOTFOUND", "EAI_AGAIN", "ECONNREFUSED", "ECONNRESET", "ETIMEDOUT", "ENETUNREACH")


def foreign_folder() -> Path:
    """The folder whose ``node_modules`` is just what the lock file says: installed by the first who asks,
    others wait. A script finds the packages when it lies here, or beside a link to ``node_modules``.

    Skips the test only where the registry of Node's packages can't be reached.
    """
    npm = shutil.which("npm") if shutil.which("node") else None
    assert npm, "these tests need Node: install the Debian packages nodejs and npm"
    wanted = hashlib.sha256((FOREIGN / "package-lock.json").read_bytes()).hexdigest()
    installed = FOREIGN / "node_modules" / ".installed"
    with (FOREIGN / ".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not installed.exists() or installed.read_text() != wanted:
            if trouble := _install(npm):
                pytest.skip(f"Node's packages can't be installed, their registry isn't reached: {trouble}")
            installed.write_text(wanted)
    return FOREIGN


@functools.cache
def _install(npm: str) -> str | None:
    """Why the registry isn't reached; ``None``: all is installed. Tried once: npm takes a minute for it."""
    done = subprocess.run(
        [npm, "ci", "--ignore-scripts", "--no-audit", "--no-fund", "--fetch-retries=1"],
        cwd=FOREIGN,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    trouble = next((code for code in _AWAY if code in done.stderr), None) if done.returncode else None
    assert done.returncode == 0 or trouble, f"npm ci failed\n{done.stderr}"
    return trouble
