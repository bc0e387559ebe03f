"""The simulator beside a real broker, its receiver over real HTTP, and the demo as processes that end."""

from __future__ import annotations

import http.client
import io
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import httpx
import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from simulators.processes import Child, choose_ports, listens
from simulators.publisher import Publisher, open_publisher
from simulators.scenario import load_scenario, shipped
from simulators.sink import Sink
from simulators.uplink import Broker
from tests.support.mosquitto import Mosquitto
from tests.support.ports import free_port
from tests.support.wait import eventually

ROOT = Path(__file__).parents[2]
DEMO = load_scenario(shipped()["demo"])
(LINE,) = DEMO.lines
STATIONS = [station.station for station in LINE.stations]


class Listener:
    """Hears a floor, with a session that outlives the broker's restart."""

    def __init__(self, port: int, name: str = "listener") -> None:
        self.heard: list[tuple[str, bytes, bool]] = []
        subscribed = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, name, protocol=MQTTProtocolVersion.MQTTv5)
        self._client.reconnect_delay_set(1, 1)
        self._client.on_message = lambda _c, _d, m: self.heard.append((m.topic, bytes(m.payload), m.retain))
        self._client.on_subscribe = lambda *_: subscribed.set()
        session = Properties(PacketTypes.CONNECT)
        session.SessionExpiryInterval = 3600
        self._client.connect("127.0.0.1", port, clean_start=False, properties=session)
        self._client.loop_start()
        self._client.subscribe("floor/#", qos=1)
        assert subscribed.wait(10)

    def hear_all_that_is_kept(self) -> None:
        """What is retained stands in the queue before whatever is said later."""
        self._client.publish("floor/mark", b"{}", qos=1)
        eventually(lambda: any(topic == "floor/mark" for topic, *_ in self.heard), message="no mark")

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def bodies(self, last: str, station: str | None = None) -> list[dict[str, Any]]:
        """What was said on topics that end so, in order."""
        return [
            json.loads(payload)
            for topic, payload, _ in self.heard
            if topic.endswith(f"/{last}") and (station is None or f"/{station}/" in topic) and payload
        ]


@pytest.fixture
def listener(broker: Mosquitto) -> Iterator[Listener]:
    made = Listener(broker.port)
    yield made
    made.close()


def simulate(*words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import sys; from simulators.cli import simulate; sys.exit(simulate(sys.argv[1:]))",
            *words,
        ],
        cwd=ROOT,
        stderr=subprocess.PIPE,
        text=True,
    )


@contextmanager
def at_work(publisher: Publisher, **limits: float) -> Iterator[threading.Thread]:
    """The line in a thread of its own, stopped at the end whatever comes."""
    stop = threading.Event()
    line = threading.Thread(target=publisher.run, args=(stop,), kwargs=limits)
    line.start()
    try:
        yield line
    finally:
        stop.set()
        line.join(10)
    assert not line.is_alive()


# The line and a real broker


def test_a_shift_reaches_a_real_broker_whole_in_order_and_with_times_to_believe(
    broker: Mosquitto, listener: Listener, tmp_path: Path
):
    began = datetime.now(UTC)
    with (tmp_path / "truth.jsonl").open("w+", encoding="utf-8") as ledger:
        publisher = open_publisher(DEMO, Broker.of(broker.url), speed=float("inf"), ledger=ledger)
        publisher.run(threading.Event(), panels=60)
        ledger.seek(0)
        truth = [json.loads(line) for line in ledger]
    ended = datetime.now(UTC)
    everything = publisher.acknowledged + len(STATIONS)  # each uplink says by itself that it is online
    eventually(lambda: len(listener.heard) >= everything, message=lambda: f"heard {len(listener.heard)}")

    said = [line["message"] for line in truth if line["what"] == "said" and line["topic"].endswith("/count")]
    assert [
        body for topic, body, _ in listener.heard if topic.endswith("/count") and json.loads(body) not in said
    ] == []
    for station in STATIONS:
        counts = listener.bodies("count", station)
        assert [count["seq"] for count in counts] == list(range(1, len(counts) + 1))
        made = [line for line in truth if line["what"] == "panel" and line["station"] == station]
        assert counts[-1]["panels"] == made[-1]["panels"] == len(made)
    for topic, payload, _ in listener.heard:
        if payload and b'"at"' in payload:
            at = datetime.fromisoformat(json.loads(payload)["at"])
            assert began - timedelta(seconds=1) <= at <= ended, topic


def test_at_speed_the_times_run_as_if_the_line_were_that_fast(broker: Mosquitto, listener: Listener):
    open_publisher(DEMO, Broker.of(broker.url), speed=400).run(threading.Event(), panels=30)
    eventually(lambda: len(listener.bodies("count", "P1")) > 30, message="too few counts")

    counts = listener.bodies("count", "P1")
    times = [datetime.fromisoformat(count["at"]) for count in counts]
    takt = (times[20] - times[1]) / (counts[20]["panels"] - counts[1]["panels"])
    assert times == sorted(times)
    assert timedelta(seconds=12 / 400) < takt < timedelta(seconds=40 / 400)


def test_whoever_comes_later_finds_the_recipes_the_orders_and_the_links(broker: Mosquitto):
    publisher = open_publisher(DEMO, Broker.of(broker.url), speed=50)
    with at_work(publisher):
        eventually(lambda: publisher.acknowledged > 30, message="nothing is published")
        during = Listener(broker.port)
        eventually(lambda: len(during.bodies("link")) == len(STATIONS), message="no link")
        during.hear_all_that_is_kept()
        during.close()

    retained = [(topic, json.loads(payload)) for topic, payload, retain in during.heard if retain]
    states = [body["state"] for topic, body in retained if "/order/" in topic]
    assert sorted(states) == ["queued", "queued", "running"]
    assert {(t, b["active"]) for t, b in retained if "/recipe/" in t} == {
        (f"floor/L3/{station}/recipe/{recipe.recipe}", recipe.recipe == running(retained))
        for station in STATIONS
        for recipe in LINE.recipes
    }
    assert [body["state"] for topic, body in retained if topic.endswith("/link")] == ["online", "online"]

    after = Listener(broker.port, "another")
    eventually(lambda: len(after.bodies("link")) == len(STATIONS), message="no links")
    after.hear_all_that_is_kept()
    after.close()
    assert {body["state"] for body in after.bodies("link")} == {"offline"}
    assert [topic for topic, _, retain in after.heard if retain and "/order/" in topic] == []


def running(retained: list[tuple[str, dict[str, Any]]]) -> str:
    return next(body["recipe"] for topic, body in retained if body.get("state") == "running")


def test_what_is_said_while_the_broker_is_away_is_said_when_it_is_back(broker: Mosquitto, listener: Listener):
    reports: list[str] = []
    publisher = open_publisher(DEMO, Broker.of(broker.url), speed=300, report=reports.append)
    with at_work(publisher, panels=80) as line:
        eventually(lambda: publisher.acknowledged > 60, message="nothing is published", timeout=20)
        broker.stop()
        eventually(lambda: publisher.unacknowledged > 5, message="nothing waits", timeout=20)
        broker.start()
        eventually(lambda: not line.is_alive(), message="the line does not end", timeout=60)

    assert publisher.unacknowledged == 0
    assert any("waiting for the broker" in report for report in reports)
    for station in STATIONS:
        eventually(partial(whole, listener, station, 80), message=f"{station}: counts are missing")


def whole(listener: Listener, station: str, panels: int) -> bool:
    """Every count up to that panel was heard, at least once."""
    counts = listener.bodies("count", station)
    last = max((count for count in counts), key=lambda count: count["seq"])
    return last["panels"] >= panels and {c["seq"] for c in counts} == set(range(1, last["seq"] + 1))


def test_a_gateway_that_dies_is_said_to_be_offline_by_the_broker(broker: Mosquitto, listener: Listener):
    line = simulate("--broker", broker.url, "--speed", "50")
    eventually(lambda: listener.bodies("count", "P2"), message="nothing is published", timeout=20)
    line.kill()
    line.communicate()

    for station in STATIONS:
        eventually(partial(offline, listener, station), message=f"{station}: no last will")
        assert listener.bodies("link", station)[-1] == {"state": "offline"}


def offline(listener: Listener, station: str) -> bool:
    return bool(listener.bodies("link", station)[-1]["state"] == "offline")


def test_a_line_that_is_stopped_says_so_and_ends_well(broker: Mosquitto, listener: Listener, tmp_path: Path):
    truth = tmp_path / "truth.jsonl"
    line = simulate("--broker", broker.url, "--speed", "50", "--line", "Halle-7", "--ledger", str(truth))
    eventually(lambda: len(listener.bodies("count", "P2")) > 1, message="nothing is published", timeout=20)
    asked = time.monotonic()
    line.send_signal(signal.SIGTERM)
    _, errors = line.communicate(timeout=10)

    assert line.returncode == 0, errors
    assert time.monotonic() - asked < 5
    assert "messages acknowledged" in errors
    assert {topic.split("/")[1] for topic, _, _ in listener.heard} == {"Halle-7"}
    for station in STATIONS:
        eventually(partial(offline, listener, station), message=f"{station} is not offline")
        assert "at" in listener.bodies("link", station)[-1]
    kinds = {json.loads(line)["what"] for line in truth.read_text(encoding="utf-8").splitlines()}
    assert {"said", "panel"} <= kinds


def test_a_whole_plant_is_published_and_its_truth_names_every_line(
    broker: Mosquitto, listener: Listener, tmp_path: Path
):
    truth = tmp_path / "truth.jsonl"
    words = ("--scenario", "three-lines-by-night", "--hours", "0.3", "--speed", "max", "--clock", "line")
    plant = simulate("--broker", broker.url, *words, "--ledger", str(truth))
    _, errors = plant.communicate(timeout=60)

    assert plant.returncode == 0, errors
    places = [(line, station) for line in ("L1", "L2", "L3") for station in ("P1", "P2")]
    for place in places:
        topic = "floor/{}/{}/link".format(*place)
        eventually(partial(last_is, listener, topic, b"offline"), message=f"{topic} did not end", timeout=20)
    lines = [json.loads(each) for each in truth.read_text(encoding="utf-8").splitlines()]
    assert {(each["line"], each["station"]) for each in lines if each["what"] == "panel"} == set(places)
    assert max(each["line_seconds"] for each in lines if "line_seconds" in each) <= 0.3 * 3600
    said = [each for each in lines if each["what"] == "said"]
    assert all(f"/{each['line']}/" in each["topic"] for each in said)
    heard = {payload for _, payload, _ in listener.heard}
    assert {json.dumps(each["message"], separators=(",", ":")).encode() for each in said} <= heard
    # The clock of one station is behind the others' as its scenario says.
    at = {topic: min(times_of(listener, topic)) for topic in ("floor/L1/P1/count", "floor/L2/P1/count")}
    behind = (at["floor/L1/P1/count"] - at["floor/L2/P1/count"]).total_seconds()
    assert behind == pytest.approx(75, abs=0.01)


def last_is(listener: Listener, topic: str, word: bytes) -> bool:
    said = [payload for of, payload, _ in listener.heard if of == topic]
    return bool(said) and word in said[-1]


def times_of(listener: Listener, topic: str) -> list[datetime]:
    said = [json.loads(payload) for of, payload, _ in listener.heard if of == topic]
    return [datetime.fromisoformat(each["at"]) for each in said]


def test_without_a_broker_it_says_so_and_that_is_a_problem():
    line = simulate("--broker", f"mqtt://127.0.0.1:{free_port()}", "--seconds", "2")
    _, errors = line.communicate(timeout=20)

    assert line.returncode == 1
    assert "waiting for the broker: nobody answers there" in errors
    assert "never acknowledged" in errors


# The receiver over HTTP


def test_the_receiver_answers_as_a_receiver_does():
    out = io.StringIO()
    sink = Sink(out=out)
    sink.start()
    event = {
        "id": "1",
        "type": "earlybell.notice.opened",
        "data": {"id": "n", "level": "early", "slot": "T2"},
    }
    with httpx.Client(base_url=sink.url, trust_env=False) as client:
        answers = [
            client.post("/warnings", json=event).status_code,
            client.post("/warnings", content=b"no").status_code,
            client.post("/chat", json={"text": "T2 runs low"}).status_code,
            client.post("/chat", json=["T2"]).status_code,
            client.post("/elsewhere", json={}).status_code,
            client.post("/chat", content=iter([b"{}"])).status_code,
        ]
    with closing(http.client.HTTPConnection(sink.url.removeprefix("http://"))) as connection:
        connection.putrequest("POST", "/chat")
        connection.putheader("content-length", "99999999")
        connection.endheaders()
        answers.append(connection.getresponse().status)
    sink.stop()

    assert answers == [204, 400, 204, 400, 404, 411, 413]
    assert (len(sink.warnings), sink.chats) == (1, ["T2 runs low"])
    assert "EARLY" in out.getvalue()
    assert not listens(int(sink.url.rsplit(":", 1)[1]))


# Ports and processes


def test_a_port_that_is_free_is_kept_and_one_that_is_taken_is_replaced():
    wanted = free_port()
    with socket.create_server(("127.0.0.1", 0)) as taken:
        other = taken.getsockname()[1]
        chosen = choose_ports(wanted, other, wanted)

    assert chosen[0] == wanted
    assert len({*chosen, other}) == 4


STUBBORN = """
import signal, time
signal.signal(signal.SIGTERM, signal.SIG_IGN)
print("I stay", flush=True)
while True:
    time.sleep(60)
"""
READY = """
import os, sys, threading
from http.server import BaseHTTPRequestHandler, HTTPServer

class Ready(BaseHTTPRequestHandler):
    def do_GET(self):
        self.send_response(200)
        self.end_headers()

    def log_message(self, *_):
        pass

HTTPServer(("127.0.0.1", int(os.environ["EARLYBELL_WEB__PORT"])), Ready).serve_forever()
"""
DOOMED = """
import sys
print("no store, no service", flush=True)
sys.exit(3)
"""


@contextmanager
def child_of(source: str, tmp_path: Path) -> Iterator[Child]:
    (tmp_path / "part.py").write_text(source)
    made = Child("part", ["part"], log=tmp_path / "part.log", env={**os.environ, "PYTHONPATH": str(tmp_path)})
    try:
        yield made
    finally:
        made.stop(0.1)


def test_a_child_that_will_not_end_is_ended(tmp_path: Path):
    with child_of(STUBBORN, tmp_path) as child:
        eventually(lambda: child.last_words() == "I stay", message="it does not start")
        child.stop(0.2)

        assert child.ended() == -signal.SIGKILL


def test_a_child_does_not_outlive_its_starter(tmp_path: Path):
    (tmp_path / "part.py").write_text("import time\nprint('ready', flush=True)\ntime.sleep(600)\n")
    leash = [sys.executable, "-m", "simulators.leash", "part"]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join((str(ROOT), str(tmp_path)))}
    part = subprocess.Popen(leash, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment)
    assert part.stdin is not None
    assert part.stdout is not None
    assert part.stdout.readline() == b"ready\n"

    part.stdin.close()

    assert part.wait(10) == -signal.SIGTERM
    part.stdout.close()


class Demo:
    """The demo as a process with a stand-in for the service; all its files and words below ``folder``."""

    def __init__(self, folder: Path, service: str, *words: str) -> None:
        (folder / "part.py").write_text(service)
        self.folder = folder
        # Tests that run under nohup hand on a hang-up that is ignored.
        script = (
            "import signal, sys; signal.signal(signal.SIGHUP, signal.SIG_DFL); "
            "from simulators import cli, demo; "
            "sys.exit(demo.run(service=('part',), **vars(cli.demo_parser().parse_args(sys.argv[1:]))))"
        )
        environment = {
            **os.environ,
            "TMPDIR": str(folder),
            "PYTHONPATH": os.pathsep.join((str(ROOT), str(folder))),
        }
        self.process = subprocess.Popen(
            [sys.executable, "-c", script, *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env=environment,
            start_new_session=True,
        )

    def address(self, what: str) -> str:
        """Waits for the line that names it."""
        assert self.process.stdout is not None
        for line in self.process.stdout:
            if line.strip().startswith(what):
                return line.split()[1]
        raise AssertionError(f"the demo ended without naming its {what}")

    def end(self, number: signal.Signals) -> float:
        """Seconds from the signal to the end."""
        asked = time.monotonic()
        self.process.send_signal(number)
        self.process.communicate(timeout=20)
        return time.monotonic() - asked

    def left_behind(self) -> list[str]:
        """Processes that know the folder, and folders of its own."""
        knowing = []
        for line in Path("/proc").glob("[0-9]*/cmdline"):
            try:
                words = line.read_bytes().decode(errors="replace")
            except OSError:
                continue
            if str(self.folder) in words and "pytest" not in words:
                knowing.append(words)
        return knowing + [str(each) for each in self.folder.glob("earlybell-*")]


PORTS = ("--broker-port", "0", "--web-port", "0", "--sink-port", "0")


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_the_demo_ends_within_five_seconds_and_leaves_nothing_behind(number: signal.Signals, tmp_path: Path):
    demo = Demo(tmp_path, READY, *PORTS)
    page = demo.address("page")
    assert httpx.get(page, trust_env=False).is_success
    assert demo.left_behind()

    assert demo.end(number) < 5
    assert demo.process.returncode == 0
    assert demo.left_behind() == []


def test_a_stubborn_service_does_not_keep_the_demo_from_ending_in_time(tmp_path: Path):
    stubborn = "import signal\nsignal.signal(signal.SIGTERM, signal.SIG_IGN)\n" + READY
    demo = Demo(tmp_path, stubborn, *PORTS)
    demo.address("page")

    assert demo.end(signal.SIGINT) < 5
    assert demo.left_behind() == []


def test_the_demo_that_is_killed_takes_its_processes_along(tmp_path: Path):
    demo = Demo(tmp_path, READY, *PORTS)
    demo.address("page")
    demo.process.kill()
    demo.process.communicate(timeout=20)

    def processes() -> list[str]:
        return [each for each in demo.left_behind() if not each.startswith(str(tmp_path))]

    eventually(lambda: not processes(), message=lambda: f"left behind: {processes()}")


def test_the_demo_ends_by_itself_after_its_seconds_with_its_line_at_work(tmp_path: Path):
    demo = Demo(tmp_path, READY, *PORTS, "--seconds", "3")
    port = int(demo.address("broker").rsplit(":", 1)[1])
    listener = Listener(port)
    eventually(lambda: listener.bodies("count", "P1"), message="the line does not count")
    listener.close()
    out, _ = demo.process.communicate(timeout=20)

    assert demo.process.returncode == 0
    assert "Heard 0 messages" in out
    assert demo.left_behind() == []


def test_ports_in_use_are_no_obstacle(tmp_path: Path):
    with socket.create_server(("127.0.0.1", 0)) as web, socket.create_server(("127.0.0.1", 0)) as mqtt:
        taken = [str(each.getsockname()[1]) for each in (web, mqtt)]
        demo = Demo(tmp_path, READY, "--web-port", taken[0], "--broker-port", taken[1], "--sink-port", "0")
        page = demo.address("page")
        assert httpx.get(page, trust_env=False).is_success
        assert not page.endswith(f":{taken[0]}/")
        demo.end(signal.SIGTERM)


def test_a_service_that_dies_ends_the_demo_with_its_last_words(tmp_path: Path):
    demo = Demo(tmp_path, DOOMED, *PORTS)
    out, _ = demo.process.communicate(timeout=30)

    assert demo.process.returncode == 1
    assert "the service ended by itself with code 3" in out
    assert "no store, no service" in out
    assert demo.left_behind() == []
