"""The program as a process, the way a plant runs it: arguments, a file, an environment and signals."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import httpx

from tests.support import preloaded
from tests.support.loaded import Child, Seat, fork
from tests.support.wait import eventually


class Program:
    """``python -m service …`` in ``folder``. What it prints is kept in one file over all its starts."""

    def __init__(
        self,
        folder: Path,
        *arguments: str,
        config: str | None = None,
        environment: Mapping[str, str] | None = None,
    ) -> None:
        """``config`` is the text of the configuration file. No ``EARLYBELL_…`` of the test run leaks in."""
        self.command = [sys.executable, "-m", "service", *arguments]
        if config is not None:
            path = folder / "earlybell.toml"
            path.write_text(config, encoding="utf-8")
            self.command += ["--config", str(path)]
        inherited = {name: value for name, value in os.environ.items() if not name.startswith("EARLYBELL_")}
        self.environment = {**inherited, "PYTHONUNBUFFERED": "1", **(environment or {})}
        self.folder = folder
        self.log_path = folder / "program.log"
        self._process: subprocess.Popen[bytes] | Child | None = None

    def start(self) -> Program:
        assert not self.running, f"it runs already: {self.command}"
        self._process = self._begin()
        return self

    def _begin(self) -> subprocess.Popen[bytes] | Child:
        with self.log_path.open("ab") as log:
            return subprocess.Popen(
                self.command,
                cwd=self.folder,
                env=self.environment,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                # A group of its own, so that `remove` also ends what it started.
                start_new_session=True,
            )

    @property
    def running(self) -> bool:
        return self._process is not None and self._process.poll() is None

    @property
    def pid(self) -> int:
        return self._started().pid

    def signal(self, number: signal.Signals) -> None:
        self._started().send_signal(number)

    def kill(self) -> None:
        """``kill -9``; returns when it is dead."""
        self._started().kill()
        self._started().wait(10)

    def stop(self, timeout: float = 15.0) -> int:
        """``SIGTERM``, and its exit code within ``timeout`` seconds."""
        self.signal(signal.SIGTERM)
        return self.wait(timeout)

    def restart(self) -> Program:
        """Stop if it runs, and start again with the same folder, file and environment."""
        if self.running:
            self.stop()
        return self.start()

    def wait(self, timeout: float = 15.0) -> int:
        """Its exit code, once it has ended by itself."""
        try:
            return self._started().wait(timeout)
        except subprocess.TimeoutExpired:
            raise AssertionError(f"it still runs after {timeout:g} s\n{self.tail()}") from None

    def wait_ready(self, url: str, timeout: float = 30.0) -> None:
        """Until ``{url}/readyz`` answers 200. Tells at once when the program ends instead."""
        with httpx.Client(timeout=2.0, trust_env=False) as client:

            def is_ready() -> bool:
                self._must_run()
                try:
                    return client.get(f"{url}/readyz").status_code == httpx.codes.OK
                except httpx.TransportError:
                    return False

            eventually(is_ready, timeout=timeout, message=lambda: f"not ready\n{self.tail()}", ignoring=())

    def wait_for_log(self, text: str, timeout: float = 30.0) -> str:
        """The first line that holds ``text``."""

        def line() -> str | None:
            found = next((line for line in self.log().splitlines() if text in line), None)
            if found is None:
                self._must_run()
            return found

        found = eventually(
            line, timeout=timeout, message=lambda: f"no {text!r} in the log\n{self.tail()}", ignoring=()
        )
        assert found
        return found

    def log(self) -> str:
        return self.log_path.read_text(encoding="utf-8", errors="replace") if self.log_path.exists() else ""

    def tail(self) -> str:
        return self.log()[-4000:]

    def remove(self) -> None:
        """End it and everything it started, at once."""
        if self._process is None:
            return
        self._process.kill()
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait(10)

    def _must_run(self) -> None:
        if not self.running:
            raise AssertionError(f"it ended with {self._started().returncode}\n{self.tail()}")

    def _started(self) -> subprocess.Popen[bytes] | Child:
        assert self._process is not None, "it was never started"
        return self._process


class LoadedProgram(Program):
    """The same, begun with everything loaded: two seconds of a core less for each start."""

    def _begin(self) -> Child:
        return fork(self._seat(), preloaded.command, self.words)

    @property
    def words(self) -> list[str]:
        """What follows ``earlybell`` on the command line."""
        return self.command[3:]

    def _seat(self) -> Seat:
        return Seat(folder=self.folder, environment=self.environment, out=self.log_path)


def run_loaded(
    words: Sequence[str], *, folder: Path, environment: Mapping[str, str], said: bytes = b""
) -> subprocess.CompletedProcess[bytes]:
    """``earlybell …`` as ``subprocess.run`` gives it, begun with everything loaded; ``said`` is its input."""
    with tempfile.TemporaryDirectory() as streams:
        paths = [Path(streams) / name for name in ("in", "out", "err")]
        for path, content in zip(paths, (said, b"", b""), strict=True):
            path.write_bytes(content)
        given, out, err = paths
        seat = Seat(folder=folder, environment=environment, said=given, out=out, err=err)
        code = fork(seat, preloaded.command, list(words)).wait(60)
        return subprocess.CompletedProcess(list(words), code, out.read_bytes(), err.read_bytes())


StartProgram = Callable[..., Program]
