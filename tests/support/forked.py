"""The program many times over, loaded once: a process that forks a child for each start.

A child does what ``earlybell run`` does, with a watchdog as patient as it is told, and is killed, stopped and
waited for like any other. Run as a program this file is the process that forks."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from service import crash
from service.__main__ import main as program
from service.bootstrap import Service
from service.settings import load
from service.telemetry import configure_logging
from tests.support.processes import Program
from tests.support.wait import eventually

PATIENT, IMPATIENT = 60.0, 4.0
ROOT = Path(__file__).parents[2]


class Child:
    """One start, seen from the test: as much of ``subprocess.Popen`` as ``Program`` asks for."""

    def __init__(self, pid: int, ended: Path) -> None:
        self.pid = pid
        self._ended = ended

    @property
    def returncode(self) -> int | None:
        return self.poll()

    def poll(self) -> int | None:
        text = self._ended.read_text() if self._ended.exists() else ""
        return int(text) if text.endswith("\n") else None

    def wait(self, timeout: float) -> int:
        try:
            eventually(lambda: self.poll() is not None, timeout=timeout, ignoring=())
        except AssertionError:
            raise subprocess.TimeoutExpired("the program", timeout) from None
        return self.poll() or 0

    def send_signal(self, number: signal.Signals) -> None:
        if self.poll() is None:
            os.kill(self.pid, number)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)


class ForkedProgram(Program):
    """``Program`` whose starts are forks; ``stuck_after`` and the environment hold from the next start on."""

    def __init__(self, folder: Path, *, config: str) -> None:
        super().__init__(folder, "run", config=config)
        self.stuck_after = PATIENT
        self.crash_at = ""
        self._starts = 0
        self._forks = subprocess.Popen(
            [sys.executable, "-m", "tests.support.forked"],
            cwd=ROOT,
            env=self.environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def start(self) -> ForkedProgram:
        assert not self.running, "it runs already"
        self._starts += 1
        ended = self.folder / f"ended{self._starts}"
        order = {
            "folder": str(self.folder),
            "log": str(self.log_path),
            "ended": str(ended),
            "stuck_after": self.stuck_after,
            "crash_at": self.crash_at,
        }
        assert self._forks.stdin is not None
        assert self._forks.stdout is not None
        self._forks.stdin.write(json.dumps(order) + "\n")
        self._forks.stdin.flush()
        self._process = Child(int(self._forks.stdout.readline()), ended)  # type: ignore[assignment]
        return self

    def remove(self) -> None:
        if self.running:
            self.kill()
        super().remove()
        if self._forks.poll() is None:
            self._forks.communicate(timeout=10)


def main() -> None:
    for line in sys.stdin:
        order = json.loads(line)
        pid = os.fork()
        if pid == 0:
            _run(order)
        print(pid, flush=True)
        _, status = os.waitpid(pid, 0)
        Path(order["ended"]).write_text(f"{os.waitstatus_to_exitcode(status)}\n")


def _run(order: Mapping[str, Any]) -> None:
    """In the child: never returns."""
    code = 1
    try:
        os.setsid()
        os.chdir(order["folder"])
        log = os.open(order["log"], os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)
        null = os.open(os.devnull, os.O_RDONLY)
        for number, handle in enumerate((null, log, log)):
            os.dup2(handle, number)
        os.environ[crash.VARIABLE] = order["crash_at"]
        if order["stuck_after"] == PATIENT:
            code = program(["run", "--config", "earlybell.toml"])
        else:
            code = _run_impatiently(order["stuck_after"])
    finally:
        sys.stderr.flush()
        os._exit(code)


def _run_impatiently(stuck_after: float) -> int:
    configure_logging("info")
    crash.arm(os.environ[crash.VARIABLE])
    return Service(load(Path("earlybell.toml"), os.environ), stuck_after=stuck_after).run()


if __name__ == "__main__":
    main()
