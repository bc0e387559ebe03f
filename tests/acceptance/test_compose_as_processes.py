"""What ``deploy/docker-compose.yml`` composes, as plain processes: prepared as a person would, with the
files, accounts, rules, secrets and variables that stand there, and a PostgreSQL and ports of our own.
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import ssl
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import httpx
import paho.mqtt.client as paho
import pytest
import yaml
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from tests.support.ports import free_port
from tests.support.postgres import shared_postgres
from tests.support.processes import Program, StartProgram
from tests.support.wait import eventually

DEPLOY = Path(__file__).parents[2] / "deploy"
PATH = f"{os.environ['PATH']}:/usr/local/sbin:/usr/sbin"
SERVICES: dict[str, Any] = yaml.safe_load((DEPLOY / "docker-compose.yml").read_text(encoding="utf-8"))[
    "services"
]
LINE = "L77"


class Plant:
    """The composition's parts. Each is started by the name that its service has there."""

    def __init__(self, folder: Path, stack: ExitStack, start_program: StartProgram) -> None:
        self.folder = folder
        self.secrets = folder / "secrets"
        self.broker_port, self.web_port, self.receiver_port = free_port(), free_port(), free_port()
        self.url = f"http://127.0.0.1:{self.web_port}"
        self._stack = stack
        self._start_program = start_program

    def environment(self, service: str) -> dict[str, str]:
        """The service's variables, with our ports for the names of other containers."""
        lines = (self.folder / ".env").read_text(encoding="utf-8").splitlines()
        pairs = dict(line.split("=", 1) for line in lines if line and line[0] != "#")
        places = {
            "/run/secrets": str(self.secrets),
            "broker:1883": f"127.0.0.1:{self.broker_port}",
            "receiver:8090": f"127.0.0.1:{self.receiver_port}",
            "8080": str(self.web_port),
        }
        given = pairs | SERVICES[service]["environment"]
        for ours, here in places.items():
            given = {name: value.replace(ours, here) for name, value in given.items()}
        return {name: value for name, value in given.items() if name.startswith("EARLYBELL_")}

    def program(self, service: str, *command: str) -> Program:
        words = command or tuple(SERVICES[service]["command"])
        folder = self.folder / service
        words = tuple("/dev/null" if word == "/etc/earlybell.toml" else word for word in words)
        return self._start_program(*words, folder=folder, environment=self.environment(service))

    def process(self, name: str, *command: str, **variables: str) -> subprocess.Popen[bytes]:
        log = self._stack.enter_context((self.folder / f"{name}.log").open("ab"))
        process = subprocess.Popen(
            command, cwd=self.folder, env={**os.environ, "PATH": PATH, **variables}, stdout=log, stderr=log
        )
        self._stack.callback(process.wait, 10)
        self._stack.callback(process.kill)
        return process

    def log(self, name: str) -> str:
        return (self.folder / f"{name}.log").read_text(encoding="utf-8", errors="replace")

    def broker(self) -> subprocess.Popen[bytes]:
        made = self.folder / "made"
        made.mkdir(exist_ok=True)
        conf = (self.folder / "mosquitto.conf").read_text(encoding="utf-8")
        conf = conf.replace("listener 1883", f"listener {self.broker_port} 127.0.0.1")
        conf = conf.replace("/tmp/", f"{made}/").replace("/mosquitto/data/", f"{made}/")
        # As root it would step down to a user who can't read a test's folder.
        conf += "user root\n" if os.geteuid() == 0 else ""
        (made / "mosquitto.conf").write_text(conf)
        arguments = [str(self.secrets), str(made), str(made / "mosquitto.conf")]
        process = self.process("broker", "sh", "broker.sh", *arguments)
        eventually(self.is_healthy, timeout=20, message=lambda: self.log("broker"), ignoring=())
        return process

    def is_healthy(self) -> bool:
        """What the composition asks its broker."""
        words = [word.replace("$$", "$") for word in SERVICES["broker"]["healthcheck"]["test"][1:]]
        asked = subprocess.run(
            [*words, "-p", str(self.broker_port)],
            env={**os.environ, "PATH": PATH, "XDG_CONFIG_HOME": str(self.folder / "made")},
            capture_output=True,
            check=False,
        )
        return asked.returncode == 0 and b"mosquitto version" in asked.stdout

    def said(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.log("receiver").splitlines() if line.startswith("{")]


@pytest.fixture
def plant(tmp_path: Path, start_program: StartProgram) -> Iterator[Plant]:
    folder = tmp_path / "deploy"
    shutil.copytree(DEPLOY, folder, ignore=shutil.ignore_patterns(".env", "secrets", "screenshots"))
    subprocess.run([folder / "prepare", "demo", "tls", "localhost"], check=True, capture_output=True)
    server = shared_postgres()
    database = server.create()
    (folder / "secrets/store_url").write_text(f"{server.url(database)}\n")
    with (
        (folder / "secrets/broker_accounts").open("a") as accounts,
        (folder / "secrets/broker_acl").open("a") as acl,
    ):
        accounts.write("gateway:its-password\n")
        acl.write(f"\nuser gateway\ntopic write floor/{LINE}/P1/#\n")
    with ExitStack() as stack:
        stack.callback(server.drop, database)
        yield Plant(folder, stack, start_program)


class Talker:
    """A client with an account; what the broker answered to each of its messages."""

    def __init__(
        self, port: int, login: tuple[str, str] | None, *, tls: ssl.SSLContext | None = None
    ) -> None:
        self.connected: list[int] = []
        self.answers: dict[int, int] = {}
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self._client.on_connect = lambda _c, _d, _f, reason, _p: self.connected.append(reason.value)
        self._client.on_publish = lambda _c, _d, mid, reason, _p: self.answers.update({mid: reason.value})
        if login is not None:
            self._client.username_pw_set(*login)
        if tls is not None:
            self._client.tls_set_context(tls)
        self._client.connect("localhost" if tls else "127.0.0.1", port)
        self._client.loop_start()
        eventually(lambda: self.connected, timeout=10, message="the broker didn't answer", ignoring=())

    def say(self, topic: str, **body: Any) -> int:
        mid = self._client.publish(topic, json.dumps(body), qos=1).mid
        eventually(lambda: mid in self.answers, timeout=10, message=f"{topic}: no answer", ignoring=())
        return self.answers[mid]

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


NOT_AUTHORIZED = 0x87


def test_from_nothing_to_a_warning_and_on_after_everything_was_restarted(plant: Plant) -> None:
    broker = plant.broker()
    assert plant.program("upgrade-store").wait(60) == 0
    plant.process("receiver", sys.executable, "receiver.py", str(plant.receiver_port))
    service = plant.program("earlybell")
    service.wait_ready(plant.url)
    simulator = plant.program("simulator", "simulate", "--config", "/dev/null", "--speed", "100")

    stranger = Talker(plant.broker_port, None)
    assert stranger.connected[0] == NOT_AUTHORIZED
    stranger.close()
    gateway = Talker(plant.broker_port, ("gateway", "its-password"))
    assert gateway.say(f"floor/{LINE}/P2/count") == NOT_AUTHORIZED
    gateway.say(f"floor/{LINE}/P1/recipe", recipe="r", usage={"T2": 1})
    gateway.say(f"floor/{LINE}/P1/supply", id="1", slot="T2", change="loaded", kind="tray", quantity=30)
    gateway.say(f"floor/{LINE}/P1/count", session="a", seq=1, panels=0, slots={"T2": {"placed": 0}})
    # Of the made-up line.
    eventually(plant.said, timeout=60, message=simulator.tail, ignoring=())

    # The service is down, a count is queued, the broker is restarted: it is there when all is up again.
    service.stop()
    gateway.say(f"floor/{LINE}/P1/count", session="a", seq=2, panels=21, slots={"T2": {"placed": 21}})
    gateway.close()
    broker.send_signal(signal.SIGTERM)
    broker.wait(30)
    plant.broker()
    assert plant.program("upgrade-store").wait(60) == 0
    service.start().wait_ready(plant.url)
    assert '"session_present": true' in service.log()
    told = eventually(
        lambda: [each for each in plant.said() if each["line"] == LINE],
        timeout=30,
        message=service.tail,
        ignoring=(),
    )
    assert told
    assert (told[0]["type"], told[0]["level"]) == ("earlybell.notice.opened", "early")


def test_tls_in_front_reaches_the_broker_with_an_account_and_the_page_knows_that_it_is_https(
    plant: Plant,
) -> None:
    proxy = shutil.which("haproxy", path=PATH)
    assert proxy, "this test needs HAProxy: install the Debian package of that name"
    mqtts, https = free_port(), free_port()
    for name, secret in (("tls.pem", "tls_certificate"), ("tls.pem.key", "tls_key")):
        shutil.copy(plant.secrets / secret, plant.folder / name)
    conf = (plant.folder / "haproxy.cfg").read_text(encoding="utf-8")
    for ours, here in (
        ("/run/secrets", str(plant.folder)),
        ("bind :8883", f"bind 127.0.0.1:{mqtts}"),
        ("bind :8443", f"bind 127.0.0.1:{https}"),
    ):
        conf = conf.replace(ours, here)
    (plant.folder / "haproxy.cfg").write_text(conf)
    plant.broker()
    assert plant.program("upgrade-store").wait(60) == 0
    service = plant.program("earlybell")
    service.wait_ready(plant.url)
    broker, page = f"127.0.0.1:{plant.broker_port}", f"127.0.0.1:{plant.web_port}"
    plant.process("tls", proxy, "-f", "haproxy.cfg", BROKER=broker, PAGE=page)
    trusting = ssl.create_default_context(cafile=str(plant.secrets / "tls_certificate"))

    with httpx.Client(verify=trusting, trust_env=False, base_url=f"https://localhost:{https}") as client:
        eventually(
            lambda: client.get("/healthz").status_code == 200,
            timeout=20,
            message=lambda: plant.log("tls"),
            ignoring=(httpx.TransportError,),
        )
        assert client.get("/").status_code == 401
    talker = Talker(mqtts, ("gateway", "its-password"), tls=trusting)
    assert talker.say(f"floor/{LINE}/P1/link", state="online") != NOT_AUTHORIZED
    talker.close()
    with pytest.raises(ssl.SSLError):
        Talker(mqtts, ("gateway", "its-password"), tls=ssl.create_default_context())
