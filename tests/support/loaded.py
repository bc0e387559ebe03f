"""Processes that begin with everything loaded: a server that imported the program forks one for each start.

Importing costs two seconds of a core, many times what most tests do. A child begins in a session, a folder,
an environment and with standard streams of its own, and is killed, stopped and waited for like any other.
How the interpreter itself starts, and what the process list says, only ``python -m service`` shows.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from multiprocessing import get_context
from multiprocessing.process import BaseProcess
from pathlib import Path
from signal import SIGINT, SIGKILL, Signals, default_int_handler, signal
from typing import Any

_FORKS = get_context("forkserver")
_FORKS.set_forkserver_preload(["tests.support.preloaded", "tests.support.sender"])


@dataclass(frozen=True, slots=True, kw_only=True)
class Seat:
    """Where a child begins. ``err`` ``None``: with ``out``; both are appended to."""

    folder: Path
    environment: Mapping[str, str]
    out: Path
    err: Path | None = None
    said: Path | None = None


class Child:
    """As much of ``subprocess.Popen`` as tests ask for."""

    def __init__(self, process: BaseProcess) -> None:
        self._process = process
        assert process.pid is not None
        self.pid: int = process.pid

    @property
    def returncode(self) -> int | None:
        return self._process.exitcode

    def poll(self) -> int | None:
        return self._process.exitcode

    def wait(self, timeout: float) -> int:
        self._process.join(timeout)
        code = self.poll()
        if code is None:
            raise subprocess.TimeoutExpired("a loaded process", timeout)
        return code

    def send_signal(self, number: Signals) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)

    def kill(self) -> None:
        self.send_signal(SIGKILL)


def fork(seat: Seat, function: Callable[..., Any], *arguments: Any) -> Child:
    """``sys.exit(function(*arguments))`` in a process of its own."""
    process = _FORKS.Process(target=_begin, args=(seat, function, *arguments), daemon=True)
    process.start()
    return Child(process)


def _begin(seat: Seat, function: Callable[..., Any], *arguments: Any) -> None:
    os.setsid()
    signal(SIGINT, default_int_handler)  # else ignored where the tests run in the background
    os.chdir(seat.folder)
    os.environ.clear()
    os.environ.update(seat.environment)
    append = os.O_WRONLY | os.O_APPEND | os.O_CREAT
    for number, path, flags in (
        (0, seat.said or Path(os.devnull), os.O_RDONLY),
        (1, seat.out, append),
        (2, seat.err or seat.out, append),
    ):
        file = os.open(path, flags, 0o644)
        os.dup2(file, number)
        os.close(file)
    # Written through: what a killed process said is still there.
    sys.stdin = open(0, encoding="utf-8", closefd=False)  # noqa: SIM115
    sys.stdout, sys.stderr = (
        open(number, "w", encoding="utf-8", errors=errors, buffering=1, closefd=False)  # noqa: SIM115
        for number, errors in ((1, "strict"), (2, "backslashreplace"))
    )
    sys.exit(function(*arguments))
