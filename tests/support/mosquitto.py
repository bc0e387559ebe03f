"""A real mosquitto for one test: on a free loopback port, with persistence, able to be killed and come back.

In a container or as the installed program, as ``servers`` chose. Both read the same files in the same places,
listen on the same port and know the same signals.
"""

from __future__ import annotations

import os
import signal
import socket
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Protocol

from tests.support import servers
from tests.support.ports import free_port
from tests.support.wait import eventually

# Explicit where the broker's own defaults drop messages silently (20 in flight, 1000 queued); a large number
# rather than 0, which has not meant "no limit" in every release.
DEFAULTS: dict[str, object] = {
    "allow_anonymous": "true",
    "autosave_interval": 1800,
    "log_type": "all",
    "max_inflight_messages": 2000,
    "max_queued_bytes": 1_000_000_000,
    "max_queued_messages": 1_000_000,
    "persistence": "true",
    "set_tcp_nodelay": "true",
    # As root the program would step down to a user who can't read a test's folder.
    "user": "root",
}


class _Runner(Protocol):
    """Where the broker runs."""

    def start(self) -> None: ...

    def send(self, number: signal.Signals) -> None: ...

    def exit_code(self) -> int | None:
        """``None`` while it runs."""
        ...

    def remove(self) -> None: ...


class Mosquitto:
    """One broker; ``stop`` and ``start`` keep its port, its configuration and what it had persisted."""

    def __init__(self, folder: Path, port: int, runner: _Runner) -> None:
        self.folder = folder
        self.host = "127.0.0.1"
        self.port = port
        self.url = f"mqtt://{self.host}:{port}"
        self._runner = runner

    def start(self) -> None:
        """Returns when the broker takes connections."""
        self._runner.start()
        eventually(self._listens, message=lambda: f"mosquitto takes no connection\n{self.log()}", ignoring=())

    def stop(self, number: signal.Signals = signal.SIGTERM) -> None:
        """Ends it: ``SIGTERM`` saves its state, ``SIGKILL`` does not. Returns when it has ended."""
        if self._runner.exit_code() is None:
            self._runner.send(number)
            eventually(lambda: self._runner.exit_code() is not None, message="mosquitto did not end")

    def kill(self) -> None:
        self.stop(signal.SIGKILL)

    def hold(self) -> None:
        """Let it answer nothing until ``go_on``; its connections stay."""
        self._runner.send(signal.SIGSTOP)

    def go_on(self) -> None:
        self._runner.send(signal.SIGCONT)

    def restart(self, number: signal.Signals = signal.SIGTERM) -> None:
        self.stop(number)
        self.start()

    def remove(self) -> None:
        self.kill()
        self._runner.remove()

    def log(self) -> str:
        """What it said before it read its configuration, and its log."""
        paths = [self.folder / "mosquitto.out", self.folder / "mosquitto.log"]
        return "".join(path.read_text(errors="replace") for path in paths if path.exists())

    def _listens(self) -> bool:
        code = self._runner.exit_code()
        assert code is None, f"mosquitto ended with {code}\n{self.log()}"
        try:
            socket.create_connection((self.host, self.port), timeout=1).close()
        except OSError:
            return False
        return True


def start_mosquitto(folder: Path, **options: object) -> Mosquitto:
    """A running broker whose files lie in ``folder``; end it with ``remove``.

    ``options`` are mosquitto's own configuration keys: they replace ``DEFAULTS``, ``None`` leaves one out.
    """
    home = folder / "mosquitto"
    home.mkdir(parents=True, exist_ok=True)
    port = free_port()
    make = _Container if servers.in_containers() else _Process
    broker = Mosquitto(home, port, make(home, port, {**DEFAULTS, **options}))
    try:
        broker.start()
    except BaseException:
        broker.remove()
        raise
    return broker


def _write_config(home: Path, port: int, options: dict[str, object]) -> Path:
    lines = [f"listener {port} 127.0.0.1", f"persistence_location {home}/"]
    lines += [f"log_dest file {home}/mosquitto.log"]
    lines += [f"{key} {value}" for key, value in options.items() if value is not None]
    path = home / "mosquitto.conf"
    path.write_text("\n".join(lines) + "\n")
    return path


class _Process:
    """The installed program."""

    def __init__(self, home: Path, port: int, options: dict[str, object]) -> None:
        program = servers.installed_broker()
        if program is None:
            raise FileNotFoundError("these tests need mosquitto: install the Debian package of that name")
        config = _write_config(home, port, options)
        self._command = [program, "-c", str(config)]
        self._output = home / "mosquitto.out"
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self._output.open("ab") as output:
            self._process = subprocess.Popen(
                self._command, stdin=subprocess.DEVNULL, stdout=output, stderr=subprocess.STDOUT
            )

    def send(self, number: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(number)

    def exit_code(self) -> int | None:
        return self._process.poll() if self._process is not None else 0

    def remove(self) -> None:
        pass


class _Container:
    """The same program from an image, on the network of this machine: a port that another process forwards
    takes connections before the broker does."""

    def __init__(self, home: Path, port: int, options: dict[str, object]) -> None:
        from testcontainers.core.container import DockerContainer

        config = _write_config(home, port, options)
        self._output = home / "mosquitto.out"
        self._container = (
            DockerContainer(servers.image("BROKER_IMAGE"))
            .with_kwargs(network_mode="host", user=f"{os.getuid()}:{os.getgid()}")
            .with_volume_mapping(str(home), str(home), "rw")
            .with_command(["mosquitto", "-c", str(config)])
        )
        for folder in _named_folders(options) - {home}:
            self._container.with_volume_mapping(str(folder), str(folder), "ro")
        self._made = False

    def start(self) -> None:
        if self._made:
            self._container.get_wrapped_container().start()
        else:
            servers.started(self._container)
            self._made = True

    def send(self, number: signal.Signals) -> None:
        self._container.get_wrapped_container().kill(signal=number.name)

    def exit_code(self) -> int | None:
        if not self._made:
            return 0
        inner = self._container.get_wrapped_container()
        inner.reload()
        if inner.status in {"created", "running"}:
            return None
        self._output.write_bytes(inner.logs())
        return int(inner.attrs["State"]["ExitCode"])

    def remove(self) -> None:
        self._container.stop()


def _named_folders(options: dict[str, object]) -> set[Path]:
    """Where the files lie that the configuration names. Whole folders: of a file handed in alone the
    container would keep the old one when it is replaced."""
    paths = [Path(str(value)) for value in options.values() if value is not None]
    return {path.parent for path in paths if path.is_absolute() and path.is_file()}


StartBroker = Callable[..., Mosquitto]
