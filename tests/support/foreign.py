"""Clients, encoders and schemas made by others for Node, as the lock file in ``tests/foreign`` names them."""

from __future__ import annotations

import fcntl
import hashlib
import shutil
import subprocess
from pathlib import Path

import pytest

FOREIGN = Path(__file__).parents[1] / "foreign"
_UNREACHABLE = ("ENOTFOUND", "EAI_AGAIN", "ECONNREFUSED", "ECONNRESET", "ETIMEDOUT", "ENETUNREACH")


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
            _install(npm)
            installed.write_text(wanted)
    return FOREIGN


def _install(npm: str) -> None:
    done = subprocess.run(
        [npm, "ci", "--ignore-scripts", "--no-audit", "--no-fund"],
        cwd=FOREIGN,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    if done.returncode and any(word in done.stderr for word in _UNREACHABLE):
        pytest.skip(f"the registry of Node's packages can't be reached: {done.stderr.strip()[-300:]}")
    assert done.returncode == 0, f"npm ci failed\n{done.stderr}"
