"""The page for builders of gateways: its examples are run as they stand, by clients of others, against the
real program and a real broker, and what it says will be seen is seen."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import jsonschema_rs
import pytest
import yaml

from tests.asyncapi.document import FILE
from tests.support.factory import Gateway
from tests.support.foreign import foreign_folder
from tests.support.mosquitto import Mosquitto
from tests.support.ports import free_port
from tests.support.processes import Program, StartProgram
from tests.support.wait import eventually

PAGE = (FILE.parent / "gateway-builders.md").read_text(encoding="utf-8")
Json = dict[str, Any]


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", PAGE, re.MULTILINE | re.DOTALL)


class Plant:
    """A broker and the program, to be asked what it counted."""

    def __init__(self, broker: Mosquitto, start_program: StartProgram) -> None:
        self.url = f"http://127.0.0.1:{(port := free_port())}"
        self.broker = broker
        self.program: Program = start_program(
            "run", config=f'[mqtt]\nurl = "{broker.url}"\n[web]\nport = {port}\n'
        )
        self.program.wait_ready(self.url)

    def get(self, path: str) -> Any:
        return httpx.get(f"{self.url}/api/v1{path}", trust_env=False).raise_for_status().json()

    def slot(self, station: str, name: str) -> Json:
        try:
            slots = self.get("/lines/L3/slots")
        except httpx.HTTPStatusError:
            return {}
        return next((each for each in slots if (each["station"], each["slot"]) == (station, name)), {})

    def until_counted(self, station: str, name: str, panels: int) -> Json:
        def counted() -> Json | None:
            slot = self.slot(station, name)
            return slot if (slot.get("counted") or {}).get("panels") == panels else None

        found = eventually(counted, timeout=20, message=lambda: f"not counted\n{self.program.tail()}")
        assert found
        return found

    def station(self, name: str) -> Json:
        line = next(each for each in self.get("/lines") if each["line"] == "L3")
        return next(each for each in line["stations"] if each["station"] == name)

    def begin(self, *command: str, folder: Path) -> subprocess.Popen[str]:
        return subprocess.Popen(
            command,
            cwd=folder,
            env=os.environ | {"BROKER_HOST": self.broker.host, "BROKER_PORT": str(self.broker.port)},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )

    def run(self, *command: str, folder: Path) -> None:
        process = self.begin(*command, folder=folder)
        output, _ = process.communicate(timeout=60)
        assert (process.returncode, output) == (0, "")


@pytest.fixture
def plant(broker: Mosquitto, start_program: StartProgram) -> Plant:
    return Plant(broker, start_program)


@pytest.fixture
def listener(broker: Mosquitto) -> Iterator[Gateway]:
    gateway = Gateway(broker.port)
    gateway.listen("#")
    yield gateway
    gateway.close()


def test_what_is_typed_into_a_shell_is_seen(plant: Plant, listener: Gateway, tmp_path: Path) -> None:
    (script := tmp_path / "page.sh").write_text("set -eu\n" + "\n".join(blocks("sh")))

    plant.run("sh", str(script), folder=tmp_path)

    tray = plant.until_counted("P1", "T2", panels=12)
    assert tray["remaining"]["book"] == 160 - 12 - 1 == 147
    assert "now says 147 left" in PAGE
    assert plant.slot("P1", "F07")["remaining"]["book"] == 10_000
    assert plant.until_counted("P4", "T2", panels=6)["remaining"]["book"] == 34
    assert plant.get("/lines")[0]["order"]["order"] == "B-2214"
    assert plant.station("P1")["tower"]["lamps"]["yellow"] == "flashing"
    seen = {(each["topic"], each["reason"]) for each in plant.get("/refused")}
    told = re.findall(r"^\| `(floor/L3/P1/\w+)` \| (.+) \|$", PAGE, re.MULTILINE)
    assert seen == set(told)
    assert len(seen) == 3

    listener.send("L3/P1/count", session="a", seq=3, panels=150, slots={"T2": {"placed": 150, "lost": 1}})
    eventually(lambda: listener.last("earlybell/L3/notices"), message="the tray's end isn't told")
    assert described(listener.heard) == {"forecast", "notices", "plan", "received"}


def test_mqtt_js_from_node_is_counted(plant: Plant, tmp_path: Path) -> None:
    [script] = blocks("js")
    (tmp_path / "node_modules").symlink_to(foreign_folder() / "node_modules")
    (tmp_path / "gateway.mjs").write_text(script)

    plant.run("node", "gateway.mjs", folder=tmp_path)

    reel = plant.until_counted("P3", "F07", panels=20)
    assert reel["remaining"]["book"] == 5000 - 18 * 20 - (20 >> 3)
    assert plant.station("P3")["link"]["state"] == "offline"
    assert not plant.station("P3")["clock_flagged"]
    assert plant.get("/refused") == []


def test_what_python_says_while_we_are_away_is_kept_asked_for_again_and_counted_once(
    plant: Plant, listener: Gateway, tmp_path: Path
) -> None:
    """Seen from the gateway: nothing is stored yet, so everything is kept; a `resend` (said here in the
    program's place, as it says it) is answered; once we are back it may forget, and ends by itself."""
    [script] = blocks("python")
    (tmp_path / "gateway.py").write_text(script)
    plant.program.stop()
    topic = "floor/L3/P2/count"

    process = plant.begin(sys.executable, "gateway.py", folder=tmp_path)
    eventually(lambda: len(listener.heard.get(topic, [])) == 9, message="not all counts were said")
    fourth = listener.heard[topic][3]
    session = json.loads(fourth)["session"]
    wanted = json.dumps({"session": session, "from": 4, "to": 5}).encode()
    listener.send_raw("earlybell/L3/P2/resend", wanted)
    eventually(lambda: len(listener.heard[topic]) == 11, message="what was asked for wasn't said again")
    assert listener.heard[topic][9] == fourth
    assert listener.last("floor/L3/P2/link")["state"] == "online"
    assert process.poll() is None

    plant.program.start()

    output, _ = process.communicate(timeout=60)
    assert (process.returncode, output) == (0, "")
    tray = plant.until_counted("P2", "T2", panels=8)
    assert tray["remaining"]["book"] == 160 - 8
    assert tray["counted"] == {"session": session, "seq": 9, "panels": 8}
    assert listener.last("earlybell/L3/P2/received") == {"session": session, "seq": 9}
    assert "resend" in described(listener.heard)


def described(heard: dict[str, list[bytes]]) -> set[str]:
    """The channels on which the program spoke; each message must be as the AsyncAPI document says."""
    made = yaml.safe_load(FILE.read_text(encoding="utf-8"))
    addresses = {
        name: re.compile(re.sub(r"\{\w+\}", "[^/]+", channel["address"]))
        for name, channel in made["channels"].items()
    }
    spoken = set()
    for topic, payloads in heard.items():
        if topic.startswith("earlybell/"):
            [channel] = [name for name, address in addresses.items() if address.fullmatch(topic)]
            spoken.add(channel)
            shape = {"allOf": [made["components"]["messages"][channel]["payload"]]}
            validator = jsonschema_rs.Draft7Validator(shape | {"components": made["components"]})
            for payload in payloads:
                validator.validate(json.loads(payload))
    return spoken
