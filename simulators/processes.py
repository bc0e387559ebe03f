"""Child processes and ports for the demo: started on a leash, ended in time, their last words at hand."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import urllib.request
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path

_ROOT = Path(__file__).resolve().parent.parent
_LAST_WORDS = 8192


class Child:
    """A Python module as a process of its own session: a Ctrl-C at the terminal reaches us, and only us."""

    def __init__(self, name: str, module: Sequence[str], *, log: Path, env: Mapping[str, str]) -> None:
        self.name = name
        self._log = log
        path = os.pathsep.join(filter(None, (str(_ROOT), env.get("PYTHONPATH"))))
        with log.open("wb") as output:
            self._process = subprocess.Popen(  # noqa: S603 - our own interpreter and modules
                [sys.executable, "-m", "simulators.leash", *module],
                stdin=subprocess.PIPE,
                stdout=output,
                stderr=subprocess.STDOUT,
                cwd=log.parent,
                env={**env, "PYTHONPATH": path, "PYTHONUNBUFFERED": "1"},
                start_new_session=True,
            )

    @property
    def pid(self) -> int:
        return self._process.pid

    def ended(self) -> int | None:
        """The exit code, negative for a signal; ``None`` while it runs."""
        return self._process.poll()

    def terminate(self) -> None:
        """Ask it to end, without waiting."""
        if self._process.poll() is None:
            self._process.terminate()

    def stop(self, seconds: float) -> None:
        """Ask it to end, and end it if it hasn't within ``seconds``."""
        self.terminate()
        try:
            self._process.wait(seconds)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        if self._process.stdin:
            self._process.stdin.close()

    def last_words(self, lines: int = 15) -> str:
        """The end of what it wrote."""
        with self._log.open("rb") as log:
            log.seek(max(0, self._log.stat().st_size - _LAST_WORDS))
            return "\n".join(log.read().decode(errors="replace").splitlines()[-lines:])


def choose_ports(*wanted: int) -> list[int]:
    """For each wanted port itself if it is free on 127.0.0.1, else one that is; all different."""
    with ExitStack() as held:
        return [_hold(held, port) for port in wanted]


def _hold(held: ExitStack, port: int) -> int:
    for candidate in (port, 0):
        listener = held.enter_context(socket.socket())
        # As a server would bind it: connections that linger from an earlier run don't make a port taken.
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind(("127.0.0.1", candidate))
            listener.listen()
        except OSError:
            continue
        return int(listener.getsockname()[1])
    raise OSError("no free port on 127.0.0.1")


def listens(port: int) -> bool:
    """Whether something accepts connections on 127.0.0.1 at that port."""
    try:
        socket.create_connection(("127.0.0.1", port), timeout=0.5).close()
    except OSError:
        return False
    return True


def ask(url: str, body: bytes | None = None) -> int:
    """The status of a GET, or of a POST of JSON, to an address of this machine; ``OSError`` when there is no
    good answer within a second. No proxy: what the environment says about the outside isn't meant for it."""
    request = urllib.request.Request(url, body, {"content-type": "application/json"})  # noqa: S310
    with _LOCAL.open(request, timeout=1) as answer:
        return int(answer.status)


_LOCAL = urllib.request.build_opener(urllib.request.ProxyHandler({}))
