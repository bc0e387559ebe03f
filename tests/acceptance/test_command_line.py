"""The command line: exit 0 good, 1 a problem it names, 2 misuse; the demo as a newcomer starts it."""

from __future__ import annotations

import re
import signal
from pathlib import Path

import httpx
import pytest

from tests.support.factory import Factory
from tests.support.mosquitto import Mosquitto
from tests.support.ports import free_port
from tests.support.processes import StartProgram
from tests.support.wait import eventually


@pytest.mark.parametrize("words", [(), ("nosuch",), ("run", "--nosuch"), ("replay",)])
def test_misuse_exits_2(start_program: StartProgram, words: tuple[str, ...]) -> None:
    program = start_program(*words, fresh=not words)
    assert program.wait() == 2
    assert "usage" in program.log()


def test_every_problem_of_the_configuration_is_named_at_once(start_program: StartProgram) -> None:
    config = '[warn]\nchance = 2\n[web]\nport = "no"\n[mqtt]\nurll = "mqtt://x"\n'
    program = start_program("run", config=config)
    assert program.wait() == 1
    for name in ("warn.chance", "web.port", "mqtt.urll"):
        assert name in program.log()


def test_a_taken_web_port_is_named(start_program: StartProgram, factory: Factory) -> None:
    port = factory.url.rpartition(":")[2]
    program = start_program("run", environment={"EARLYBELL_WEB__PORT": port})
    assert program.wait() == 1
    assert port in program.log()


def test_a_store_of_another_program_is_not_touched(start_program: StartProgram, tmp_path: Path) -> None:
    path = tmp_path / "other.db"
    path.write_bytes(b"this is no database" * 100)
    environment = {"EARLYBELL_STORE__URL": f"sqlite:///{path}", "EARLYBELL_WEB__PORT": str(free_port())}
    program = start_program("run", environment=environment)
    assert program.wait() == 1
    assert str(path) in program.log()
    assert path.read_bytes() == b"this is no database" * 100


def test_check_says_that_nothing_is_wrong(start_program: StartProgram, broker: Mosquitto) -> None:
    config = f'[mqtt]\nurl = "{broker.url}"\n'
    program = start_program("upgrade-store", config=config, fresh=True)
    assert program.wait() == 0
    check = start_program("check", config=config, folder=program.folder, fresh=True)
    assert check.wait() == 0, check.log()
    assert re.search(r"^good +store +revision", check.log(), re.MULTILINE)


def test_an_exported_journal_replays_into_a_new_store_and_is_shown_by_it(
    factory: Factory, start_program: StartProgram, tmp_path: Path
) -> None:
    factory.gateway.send("L3/P1/recipe", recipe="r", usage={"T2": 1})
    factory.gateway.send("L3/P1/count", session="a", seq=1, panels=0, slots={"T2": {"placed": 0, "lost": 0}})
    factory.gateway.send(
        "L3/P1/supply", id="1", slot="T2", change="loaded", kind="tray", quantity=20, lot="A77"
    )
    factory.gateway.send(
        "L3/P1/count", session="a", seq=2, panels=15, slots={"T2": {"placed": 15, "lost": 0}}
    )
    factory.until_counted("L3", "T2", seq=2)
    recording = tmp_path / "shift.jsonl"
    recording.write_bytes(factory.api.get("/events").content)
    web = free_port()
    environment = {"EARLYBELL_STORE__URL": f"sqlite:///{tmp_path}/copy.db", "EARLYBELL_WEB__PORT": str(web)}
    environment |= {"EARLYBELL_MQTT__CLIENT_ID": "copy", "EARLYBELL_MQTT__URL": factory.broker.url}
    replay = start_program("replay", str(recording), "--batch", "1", environment=environment)
    assert replay.wait() == 0, replay.log()
    again = start_program("replay", str(recording), environment=environment)
    assert again.wait() == 1
    copy = start_program("run", environment=environment)
    copy.wait_ready(f"http://127.0.0.1:{web}")
    for what in ("/notices", "/stays?lot=A77"):
        shown = httpx.get(f"http://127.0.0.1:{web}/api/v1{what}", trust_env=False).json()
        assert shown == factory.get(what)
        assert shown


def test_the_demo_warns_within_a_minute_and_ends_at_once(start_program: StartProgram) -> None:
    ports = [f"--{name}-port={free_port()}" for name in ("broker", "web", "sink")]
    demo = start_program("demo", *ports, fresh=True)
    page = demo.wait_for_log("page ", timeout=40)
    demo.wait_for_log("EARLY", timeout=60)
    address = re.search(r"http://\S+", page)
    assert address
    assert "earlybell" in httpx.get(address[0], trust_env=False).text.lower()
    demo.signal(signal.SIGINT)
    assert demo.wait(timeout=5) in (0, 130)
    eventually(lambda: _refuses(address[0]), timeout=2, message="the page is still served", ignoring=())


def _refuses(url: str) -> bool:
    try:
        httpx.get(url, trust_env=False, timeout=1)
    except httpx.TransportError:
        return True
    return False


STORES = """
[[label]]
name = "stores"
pattern = '(?P<part>[^;]+);(?P<quantity>[0-9]+);(?P<bin>.*)'
[[label.alias]]
part = "R-10K-0402"
names = ["RC0402-10K"]
"""


def test_the_label_command_says_what_is_read_and_what_was_put_up_with(start_program: StartProgram) -> None:
    program = start_program("label", "[)><RS>06<GS>1PRC0402-10K<GS>Q5000<GS>9D2548", config=STORES)
    assert program.wait() == 0, program.log()
    for line in (
        "read as 15434/06",
        "part: R-10K-0402",
        "may also be called: RC0402-10K",
        "quantity: 5000",
        "lot: -",
        "9D (date code, as agreed): 2548",
        "put up with: its end is missing",
    ):
        assert line in program.log()


def test_the_label_command_tries_a_pattern_of_the_configuration(start_program: StartProgram) -> None:
    program = start_program("label", "MCU-48Q;160;B7", config=STORES)
    assert program.wait() == 0, program.log()
    assert "read as pattern stores" in program.log()
    assert "bin (not known here): B7" in program.log()


def test_the_label_command_exits_1_with_the_reason(start_program: StartProgram) -> None:
    program = start_program("label", "[)>061PRC0402-10KQ5000", config="")
    assert program.wait() == 1
    assert "earlybell: label: the separators between the fields are missing" in program.log()
