"""The composition of ``deploy/`` in containers, from a copy of the sources: prepared, built, started, killed.

Wants a container engine that answers (none is started here), Compose, and the base images: those that
``BASE``, ``BROKER_IMAGE``, ``POSTGRES_IMAGE`` and ``PROXY_IMAGE`` name as in ``deploy/env.example``, else the
public ones, else those that ``scripts/base-images`` makes, where root has debootstrap. Without them it is
skipped with the reason. ``PIP_CONF``, ``CA_BUNDLE`` and ``APT_CONF`` are for a build behind a proxy.
"""

from __future__ import annotations

import json
import os
import re
import secrets
import shutil
import ssl
import subprocess
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.support.engine import Composition, NoEngine, must_have, open_engine, remove_image
from tests.support.factory import Gateway
from tests.support.ports import free_port
from tests.support.wait import eventually

ROOT = Path(__file__).parents[2]
PROXY = ("PIP_CONF", "CA_BUNDLE", "APT_CONF")
LINE, LOADED, PANELS = "L77", 600, 592
MOST_BYTES = 420_000_000
"""Of the whole image, its base included: it has 396 million, and what we write may grow a little."""


def base_images() -> dict[str, str]:
    """Each variable that names an image from elsewhere, with what it names here."""
    example = (ROOT / "deploy" / "env.example").read_text(encoding="utf-8")
    defaults = re.findall(r"^#(BASE|\w+_IMAGE)=(.+)$", example, flags=re.MULTILINE)
    return {name: os.environ.get(name, default) for name, default in defaults}


@pytest.fixture(scope="module")
def bases() -> dict[str, str]:
    named = base_images()
    try:
        must_have(named.values())
    except NoEngine as missing:
        able = "image" in str(missing) and shutil.which("debootstrap") and os.geteuid() == 0
        if not able or any(name in os.environ for name in named):
            pytest.skip(str(missing))
        made = subprocess.run([ROOT / "scripts/base-images"], check=True, stdout=subprocess.PIPE, text=True)
        return dict(line.split("=", 1) for line in made.stdout.splitlines())
    return named


@pytest.fixture(scope="module")
def image(bases: dict[str, str]) -> Iterator[str]:
    """The name of the image that is built here: once for all tests of this file, gone after them."""
    name = f"earlybell-test-{secrets.token_hex(4)}"
    yield name
    remove_image(name)


@pytest.fixture
def sources(tmp_path: Path) -> Path:
    """A copy of what is built from: nobody's ``.env`` or secrets, nothing that changes meanwhile."""
    let_in = [line[1:] for line in (ROOT / ".dockerignore").read_text().splitlines() if line.startswith("!")]
    left_out = shutil.ignore_patterns("__pycache__", ".env", "secrets", "screenshots")
    copy = tmp_path / "clone"
    for name in [*let_in, ".dockerignore", "deploy"]:
        (copy / name).parent.mkdir(parents=True, exist_ok=True)
        if (ROOT / name).is_dir():
            shutil.copytree(ROOT / name, copy / name, ignore=left_out)
        else:
            shutil.copy(ROOT / name, copy / name)
    return copy


class Stack:
    """One running composition with a gateway, the API and what the receiver was sent."""

    def __init__(self, sources: Path, image: str, bases: dict[str, str]) -> None:
        self.deploy = sources / "deploy"
        subprocess.run([self.deploy / "prepare", "demo", "tls", "localhost"], check=True, capture_output=True)
        self.password = secrets.token_hex(16)
        for name, text in (
            ("broker_accounts", f"gateway:{self.password}\n"),
            ("broker_acl", f"\nuser gateway\ntopic write floor/{LINE}/P1/#\n"),
        ):
            with (self.deploy / "secrets" / name).open("a", encoding="utf-8") as secret:
                secret.write(text)
        self.port, web, self.mqtts, self.https = (free_port() for _ in range(4))
        given = {name: os.environ[name] for name in PROXY if name in os.environ}
        variables = {
            "COMPOSE_FILE": "docker-compose.yml" + ":docker-compose.proxy.yml" * bool(given),
            "BROKER_ADDRESS": f"127.0.0.1:{self.port}",
            "WEB_ADDRESS": f"127.0.0.1:{web}",
            "BROKER_TLS_ADDRESS": f"127.0.0.1:{self.mqtts}",
            "WEB_TLS_ADDRESS": f"127.0.0.1:{self.https}",
            "IMAGE": image,
            **bases,
            **given,
        }
        project = f"earlybell-test-{secrets.token_hex(4)}"
        self.composition = Composition(self.deploy, project, variables)
        self.url = f"http://127.0.0.1:{web}"
        self.headers: dict[str, str] = {}

    def make_token(self) -> None:
        """Inside a container the service is reached from elsewhere: nothing is read without a token."""
        assert httpx.get(f"{self.url}/api/v1/lines", timeout=10.0, trust_env=False).status_code == 401
        made = self.composition.run("exec", "-T", "earlybell", "earlybell", "token", "test", "--role", "read")
        self.headers = {"authorization": f"Bearer {made.strip()}"}

    def get(self, path: str) -> Any:
        answer = httpx.get(f"{self.url}{path}", headers=self.headers, timeout=10.0, trust_env=False)
        return answer.raise_for_status().json()

    def until_counted(self, seq: int) -> dict[str, Any]:
        def counted() -> Any:
            slots = self.get(f"/api/v1/lines/{LINE}/slots")
            return slots and slots[0]["counted"] and slots[0]["counted"]["seq"] == seq and slots[0]

        found = eventually(
            counted,
            timeout=60,
            message=lambda: f"never counted {seq}: {self.composition.log('earlybell')[-20:]}",
            ignoring=(httpx.HTTPError,),
        )
        assert isinstance(found, dict)
        return found

    def warnings(self) -> list[dict[str, Any]]:
        """Those of our line: the simulator's come too."""
        return [each for each in map(json.loads, self.composition.log("receiver")) if each["line"] == LINE]

    def remove(self) -> None:
        self.composition.remove()
        assert self.composition.remains() == []


@pytest.fixture
def stack(sources: Path, image: str, bases: dict[str, str]) -> Iterator[Stack]:
    with ExitStack() as after:
        one = Stack(sources, image, bases)
        after.callback(one.remove)
        yield one


def count(panel: int) -> tuple[str, dict[str, Any]]:
    slots = {"T2": {"placed": panel, "lost": 0}}
    return f"{LINE}/P1/count", {"session": "a", "seq": panel + 1, "panels": panel, "slots": slots}


def test_it_warns_and_loses_nothing_although_parts_go_down(stack: Stack) -> None:
    compose = stack.composition
    compose.up()
    assert compose.volumes() == {
        "broker-data",
        "postgres-data",
    }  # a nameless one would stay behind at each `down`
    assert any("revision" in line for line in compose.log("upgrade-store"))
    stack.make_token()
    gateway = Gateway(stack.port, login=("gateway", stack.password))
    try:
        gateway.send(f"{LINE}/P1/recipe", recipe="r", usage={"T2": 1}, retain=True)
        gateway.send(f"{LINE}/P1/supply", id="1", slot="T2", change="loaded", kind="tray", quantity=LOADED)
        gateway.send_all([count(panel) for panel in range(300)])
        compose.run("kill", "earlybell")
        gateway.send_all([count(panel) for panel in range(300, PANELS)])
        compose.run("restart", "broker")
        compose.up()
        forecast = stack.until_counted(PANELS)
    finally:
        gateway.close()
    assert forecast["remaining"]["book"] == LOADED - (PANELS - 1)
    assert forecast["state"] == "due"
    [opened] = eventually(stack.warnings, timeout=15, message="no warning came", ignoring=())
    assert (opened["type"], opened["level"]) == ("earlybell.notice.opened", "early")

    compose.run("down")
    compose.up()
    assert stack.until_counted(PANELS)["remaining"] == forecast["remaining"]
    assert opened["id"] in {notice["id"] for notice in stack.get("/api/v1/notices?limit=1000")}
    assert stack.warnings() == []  # its receiver is a new one, and nothing was said twice


def test_it_is_reached_by_tls_and_nothing_in_it_is_root_or_has_tools(stack: Stack, image: str) -> None:
    compose = stack.composition
    compose.up()
    trusting = ssl.create_default_context(cafile=str(stack.deploy / "secrets/tls_certificate"))
    with httpx.Client(
        verify=trusting, trust_env=False, base_url=f"https://localhost:{stack.https}"
    ) as client:
        assert client.get("/healthz").status_code == 200
    for name in ("broker", "postgres", "earlybell", "simulator", "receiver", "tls"):
        assert compose.run("exec", "-T", name, "id", "-u").strip() != "0", name
    tools = "for each in pip pip3 gcc cc make; do command -v $each && exit; done; python3 -m pip --version"
    said = compose.run("exec", "-T", "earlybell", "sh", "-c", f"{tools} || echo none of them")
    assert said.strip() == "none of them"
    written = "touch /opt/earlybell/x || touch /var/lib/earlybell/x || echo nowhere"
    assert compose.run("exec", "-T", "earlybell", "sh", "-c", written).strip() == "nowhere"
    assert open_engine().images.get(image).attrs["Size"] <= MOST_BYTES
