"""An installation as an administrator finds it, and the runbooks' commands run on it as they are written.

``systemctl``, ``journalctl`` and the installed ``earlybell`` are small programs that pass on what they were
called with: what stands and falls are the real parts of the test."""

from __future__ import annotations

import contextlib
import json
import os
import re
import subprocess
import sys
import threading
from collections.abc import Callable, Mapping, Sequence
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Self

from tests.support.mosquitto import Mosquitto
from tests.support.processes import Program, run_loaded

DEPLOY = Path(__file__).parents[2] / "deploy"
PAGE = (DEPLOY / "runbooks.md").read_text(encoding="utf-8")
Done = tuple[int, str]

_SHIM = """\
#!{python} -IS
import http.client, json, sys
name, port = {name!r}, {port}
line = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
line.request("POST", "/", json.dumps([name, *sys.argv[1:]]))
code, said = json.loads(line.getresponse().read())
sys.stdout.write(said)
sys.exit(code)
"""
_BREAKS = (OSError, AssertionError)


def section(anchor: str) -> str:
    """The runbook of that name."""
    return re.split(rf"^## {re.escape(anchor)}$", PAGE, flags=re.MULTILINE)[1].split("\n## ")[0]


def steps(anchor: str) -> Sequence[str]:
    """Its blocks of commands, in order."""
    return re.findall(r"^```sh\n(.*?)^```$", section(anchor), re.MULTILINE | re.DOTALL)


class Operated:
    """``units``: what can be started and stopped beside the program and its broker, by its systemd name."""

    def __init__(
        self,
        folder: Path,
        *,
        program: Program,
        broker: Mosquitto,
        url: str,
        units: Mapping[str, Callable[[str], None]] | None = None,
    ) -> None:
        self.program, self.broker = program, broker
        self.backups = folder / "backups"
        self._units = {"earlybell": self._program, "mosquitto": self._broker, **(units or {})}
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), _handler(self._called))
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True)
        self._thread.start()
        tools = folder / "tools"
        for each in (tools, self.backups):
            each.mkdir()
        for name in ("systemctl", "journalctl", "earlybell"):
            shim = tools / name
            port = self._server.server_address[1]
            shim.write_text(_SHIM.format(python=sys.executable, name=name, port=port))
            shim.chmod(0o755)
        self._environment = {
            "PATH": f"{tools}:{os.environ['PATH']}",
            "BELL": str(tools / "earlybell"),
            "BELL_ETC": str(program.folder),
            "BELL_HOME": str(program.folder),
            "BELL_URL": url,
            "BROKER_HOME": str(broker.folder),
            "BACKUPS": str(self.backups),
            "LC_ALL": "C.UTF-8",
        }

    def follow(self, anchor: str, number: int = 0) -> str:
        """Run one block of a runbook as it stands; what it printed."""
        return self.sh(steps(anchor)[number])

    def sh(self, commands: str) -> str:
        """With the words of ``operate.sh``; what was printed, problems as well."""
        done = subprocess.run(
            ["sh", "-u", "-c", f". ./operate.sh\n{commands}"],
            cwd=DEPLOY,
            env=self._environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            timeout=120,
            check=False,
        )
        return done.stdout

    def log_says(self, action: str) -> None:
        """That word was logged."""
        assert f'"{action}"' in self.program.log(), self.program.tail()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _called(self, words: Sequence[str]) -> Done:
        name, *rest = words
        if name == "earlybell":
            done = run_loaded(rest, folder=self.program.folder, environment=self.program.environment)
            return done.returncode, (done.stdout + done.stderr).decode()
        if name == "journalctl":
            of = self.program if "earlybell" in rest else self.broker
            return 0, of.log()
        return self._systemctl(*rest)

    def _systemctl(self, action: str, unit: str) -> Done:
        if action == "cat":
            return 0, ""
        try:
            self._units[unit](action)
        except _BREAKS as error:
            return 1, f"Job for {unit}.service failed: {error}\n"
        return 0, ""

    def _program(self, action: str) -> None:
        if action in ("stop", "restart") and self.program.running:
            self.program.stop()
        if action in ("start", "restart"):
            self.program.start()

    def _broker(self, action: str) -> None:
        if action in ("stop", "restart"):
            self.broker.stop()
        if action in ("start", "restart"):
            self.broker.start()


def _handler(called: Callable[[Sequence[str]], Done]) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            words = json.loads(self.rfile.read(int(self.headers["content-length"])))
            answer = json.dumps(called(words)).encode()
            self.send_response(200)
            self.send_header("content-length", str(len(answer)))
            self.end_headers()
            with contextlib.suppress(OSError):
                self.wfile.write(answer)

        def log_message(self, *_: object) -> None:
            pass

    return Handler
