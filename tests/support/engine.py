"""A container engine, Compose and kubectl, where this machine has them, and a composition started with them.

What can't be had is told as ``NoEngine`` with the reason, within seconds. Knows nothing of what is composed.
"""

from __future__ import annotations

import fcntl
import functools
import os
import re
import shutil
import socket
import subprocess
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

OLDEST = (2, 24)
OLDEST_KUBECTL = (1, 31)
FETCHED = Path(sys.prefix)
ANSWER_SECONDS = 1.0
START_SECONDS = 300.0


class NoEngine(Exception):
    """These containers can't be started here; the message says what is missing."""


@functools.cache
def compose_command() -> tuple[str, ...] | None:
    """How Compose is called here: docker's plugin, a program on the PATH, or one that is fetched once for the
    tests. ``None``: there is none, and none can be fetched."""
    here = [("docker", "compose"), ("docker-compose",)]
    return _recent(here, "compose", "compose/docker-compose", ["version", "--short"], OLDEST)


@functools.cache
def kubectl_command() -> tuple[str, ...] | None:
    """The same for kubectl, which wants no cluster to put manifests together."""
    return _recent([("kubectl",)], "kubectl", "bin/kubectl", ["version", "--client"], OLDEST_KUBECTL)


def _recent(
    here: list[tuple[str, ...]], name: str, program: str, asked: list[str], oldest: tuple[int, int]
) -> tuple[str, ...] | None:
    """The first that is recent enough; the last of them is ``program`` of what ``name``.txt locks."""
    folder = FETCHED / name
    with folder.with_suffix(".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)  # tests in several processes fetch it once
        fetched = (str(folder / program),)
        for command in (*here, fetched):
            if shutil.which(command[0]) and _version(*command, *asked) >= oldest:
                return command
        return fetched if _fetch(name, folder) and _version(*fetched, *asked) >= oldest else None


def _fetch(name: str, folder: Path) -> bool:
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--require-hashes", "--upgrade"]
    what = ["--target", str(folder), "--requirement", str(Path(__file__).with_name(f"{name}.txt"))]
    return subprocess.run([*pip, *what], capture_output=True, check=False).returncode == 0


def _version(*command: str) -> tuple[int, ...]:
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    except OSError:  # made for another machine
        return ()
    found = re.search(r"(\d+)\.(\d+)", done.stdout) if done.returncode == 0 else None
    return (int(found[1]), int(found[2])) if found else ()


def open_engine(*, timeout: float = 60.0) -> Any:
    """A client of the engine; ``OSError`` where none listens. Asked by a socket of our own first: the library
    leaves one open behind each failure."""
    import docker

    address = os.environ.get("DOCKER_HOST", "unix:///var/run/docker.sock")
    if address.startswith("unix://"):
        with socket.socket(socket.AF_UNIX) as knock:
            knock.settimeout(timeout)
            knock.connect(address.removeprefix("unix://"))
    return docker.from_env(timeout=timeout)


def must_have(images: Iterable[str]) -> None:
    """Returns when an engine answers, Compose is here, and the engine has each image or its registry does."""
    from docker.errors import DockerException, ImageNotFound

    try:
        engine = open_engine(timeout=ANSWER_SECONDS)
        engine.ping()
    except (DockerException, OSError) as error:
        raise NoEngine("no container engine answers") from error
    if compose_command() is None:
        raise NoEngine(f"no Compose from {OLDEST[0]}.{OLDEST[1]} on, and none can be fetched")
    for name in images:
        try:
            try:
                engine.images.get(name)
            except ImageNotFound:
                engine.images.get_registry_data(name)
        except (DockerException, OSError) as error:
            raise NoEngine(f"the engine has no image {name} and reaches no registry that has it") from error


class Composition:
    """What the files in ``folder`` compose, under a project name of its own. End it with ``remove``.

    ``variables`` are added to ``.env`` there, the way a person sets them; none of the test run's leaks in.
    """

    def __init__(self, folder: Path, project: str, variables: Mapping[str, str]) -> None:
        compose = compose_command()
        assert compose is not None
        self.project = project
        self._command = [*compose, "--project-name", project]
        self._folder = folder
        lines = [f"{name}={value}\n" for name, value in variables.items()]
        with (folder / ".env").open("a", encoding="utf-8") as env:
            env.writelines(lines)
        self._environment = {
            name: value
            for name, value in os.environ.items()
            if name not in variables and not name.startswith(("EARLYBELL_", "COMPOSE_"))
        }

    def run(self, *arguments: str) -> str:
        """What ``docker compose`` printed; its failure fails the test with all that was said."""
        return self.pipe(b"", *arguments).decode()

    def pipe(self, given: bytes, *arguments: str) -> bytes:
        """The same with bytes to read."""
        done = subprocess.run(
            [*self._command, *arguments],
            cwd=self._folder,
            env=self._environment,
            input=given,
            capture_output=True,
            timeout=START_SECONDS,
            check=False,
        )
        said = done.stdout + done.stderr
        assert done.returncode == 0, f"{' '.join(arguments)}: {said.decode(errors='replace')}"[-4000:]
        return done.stdout

    def up(self) -> None:
        """Returns when all are healthy."""
        self.run("up", "--detach", "--wait")

    def log(self, service: str) -> list[str]:
        return self.run("logs", "--no-log-prefix", "--no-color", service).splitlines()

    def remove(self) -> None:
        """Containers, networks and volumes."""
        self.run("down", "--volumes", "--remove-orphans", "--timeout", "10")

    def remains(self) -> list[str]:
        """The names of containers and volumes that are still there."""
        engine, ours = self._seen()
        containers = engine.containers.list(all=True, filters=ours)
        return [each.name for each in [*containers, *engine.volumes.list(filters=ours)]]

    def volumes(self) -> set[str]:
        """The names of all volumes that its containers use, without the project's name before them."""
        engine, ours = self._seen()
        mounts = [each.attrs["Mounts"] for each in engine.containers.list(all=True, filters=ours)]
        names = [mount["Name"] for some in mounts for mount in some if mount["Type"] == "volume"]
        return {name.removeprefix(f"{self.project}_") for name in names}

    def _seen(self) -> tuple[Any, dict[str, str]]:
        return open_engine(), {"label": f"com.docker.compose.project={self.project}"}


def remove_image(name: str) -> None:
    open_engine().images.remove(name, force=True)
