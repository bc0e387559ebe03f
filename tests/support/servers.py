"""Where broker and database of a run come from: containers where an engine answers, else installed programs.

Chosen once a run, so that all its processes agree, and said in its header. ``TEST_SERVERS`` is ``containers``
or ``installed`` to have that and nothing else; the images are those of ``deploy/env.example`` unless
``BROKER_IMAGE`` and ``POSTGRES_IMAGE`` name others. An engine that is there and doesn't work ends the run:
whoever has one wants it used, or says that it shouldn't be.
"""

from __future__ import annotations

import functools
import os
import re
import shutil
from contextlib import closing
from pathlib import Path
from typing import Any

from tests.support.engine import open_engine

CHOICE = "TEST_SERVERS"
CONTAINERS, INSTALLED = "containers", "installed"
ANSWER_SECONDS = 10.0
IMAGES = ("BROKER_IMAGE", "POSTGRES_IMAGE")
_EXAMPLE = Path(__file__).parents[2] / "deploy" / "env.example"


class NoServers(Exception):
    """Broker and database can't come from where they were asked for; the message says why and what to do."""


class _NoEngine(Exception):
    """There is none here, or it has not what is needed: installed programs do as well."""


def in_containers() -> bool:
    return _chosen()[0] == CONTAINERS


def told() -> str:
    """Which of both this run uses, and why, in one line."""
    way, why = _chosen()
    return f"broker and database: {way} ({why})"


def settle() -> None:
    """Choose; processes started from now on choose the same."""
    os.environ[CHOICE] = _chosen()[0]


def image(variable: str) -> str:
    """The image that this variable of ``deploy/env.example`` names here."""
    found = re.search(rf"^#?{variable}=(\S+)", _EXAMPLE.read_text(encoding="utf-8"), re.MULTILINE)
    assert found, f"{_EXAMPLE} names no {variable}"
    return os.environ.get(variable) or found[1]


@functools.cache
def _chosen() -> tuple[str, str]:
    asked = os.environ.get(CHOICE, "")
    if asked == INSTALLED:
        return INSTALLED, f"{CHOICE} asks for them"
    if asked not in ("", CONTAINERS):
        raise NoServers(f"{CHOICE}={asked}: say {CONTAINERS} or {INSTALLED}, or nothing")
    try:
        return CONTAINERS, _must_work()
    except _NoEngine as reason:
        if asked == CONTAINERS:
            raise NoServers(f"{CHOICE}={asked}, but {reason}") from reason
        return INSTALLED, str(reason)


def _must_work() -> str:
    """What works: the engine answers and has the images, or gets them."""
    from docker.errors import DockerException

    try:
        engine = open_engine(timeout=ANSWER_SECONDS)
    except (FileNotFoundError, ConnectionRefusedError, PermissionError) as error:
        raise _NoEngine(f"no container engine: {error.strerror or error}") from error
    except (DockerException, OSError) as error:
        raise _broken(error) from error
    with closing(engine):
        try:
            version = engine.version()["Version"]
        except (DockerException, OSError) as error:
            raise _broken(error) from error
        for variable in IMAGES:
            _must_have(engine, image(variable))
    return f"engine {version}, {', '.join(map(image, IMAGES))}"


def _must_have(engine: Any, name: str) -> None:
    from docker.errors import DockerException, ImageNotFound

    try:
        engine.images.get(name)
    except ImageNotFound:
        try:
            engine.images.pull(name)
        except (DockerException, OSError) as error:
            raise _NoEngine(f"the container engine has no image {name} and can't get it") from error
    except (DockerException, OSError) as error:
        raise _broken(error) from error


def _broken(error: Exception) -> NoServers:
    said = " ".join(str(error).split())[:300]
    return NoServers(
        f"there is a container engine, but it doesn't work: {said}; mend it, or run with {CHOICE}={INSTALLED}"
    )


def installed_broker() -> str | None:
    return shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


def started(container: Any) -> Any:
    """The testcontainer, running. Its reaper is another image, which an engine without a network can't get:
    who starts a container removes it; what a killed run left behind has the label ``org.testcontainers``."""
    from testcontainers.core.config import testcontainers_config

    testcontainers_config.ryuk_disabled = True
    try:
        return container.start()
    except BaseException:
        container.stop()
        raise
