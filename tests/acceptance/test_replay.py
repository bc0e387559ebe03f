"""A recording played: onto a page that can be paused and hurried on, and to a broker in the plant's place."""

from __future__ import annotations

import queue
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import msgspec
import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from service.domain.events import JournalEntry
from service.store import open_store
from service.usecases.replay import replay
from service.wire.journal import read_line
from tests.support.mosquitto import Mosquitto
from tests.support.ports import free_port
from tests.support.processes import StartProgram
from tests.support.taped import notices_of, tape, taped
from tests.support.wait import eventually

FLOOR = sum(b'"earlybell.floor.' in line for line in taped())


def test_a_page_shows_a_recording_that_is_paused_hurried_on_and_ends_as_it_did(
    start_program: StartProgram, tmp_path: Path
) -> None:
    store, web = f"sqlite:///{tmp_path}/page.db", free_port()
    words = ("replay", str(tape(tmp_path)), "--page", "--store", store, "--speed", "20")
    program = start_program(*words, environment={"EARLYBELL_WEB__PORT": str(web)})
    address = f"http://127.0.0.1:{web}"
    program.wait_ready(address)
    with httpx.Client(base_url=f"{address}/api/v1", trust_env=False) as api:
        paused = _steer(api, paused=True)
        assert paused["state"] == "paused"
        assert paused["ends_in_seconds"] is None
        leapt = "2026-03-02T06:40:00.000Z"
        _steer(api, at=leapt)
        eventually(lambda: api.get("/replay").json()["at"] >= leapt, message="it never got there")
        there = api.get("/replay").json()
        assert there["state"] == "paused"
        assert there["at"].startswith("2026-03-02T06:40:00")
        assert 0.6 < there["share"] < 0.7
        shown = api.get("/lines").json()[0]["stations"]
        assert all(each["as_of"] <= leapt for each in shown)
        assert api.get("/handover").json()["at"].startswith("2026-03-02T06:40:00")
        _refuses_to_act(api)
        assert api.post("/replay", json={"at": "2026-03-02T06:10:00Z"}).status_code == 422
        assert _steer(api, speed="max", paused=False)["speed"] == "max"
        eventually(lambda: api.get("/replay").json()["state"] == "ended", timeout=30)
        assert "replay.js" in httpx.get(address, trust_env=False).text
    program.wait_for_log("the recording is over")
    assert program.stop() == 0
    page, copy = open_store(store, migrate=False), open_store(f"sqlite:///{tmp_path}/copy.db", migrate=True)
    replay(taped(), copy.ledger)
    assert notices_of(page) == notices_of(copy)
    assert notices_of(page)
    assert page.ledger.load() == copy.ledger.load()
    page.close()
    copy.close()


def _steer(api: httpx.Client, **wanted: object) -> dict[str, Any]:
    answer = api.post("/replay", json=wanted)
    assert answer.status_code == 200, answer.text
    return dict(answer.json())


def _refuses_to_act(api: httpx.Client) -> None:
    found = api.get("/notices", params={"state": ["open", "taken", "quiet", "closed"]}).json()
    acted = api.post(f"/notices/{found[0]['id']}/take", json={"by": "Ada"})
    assert acted.status_code == 409
    assert "replay" in acted.json()["detail"]
    line, station = found[0]["line"], found[0]["station"]
    loaded = api.post(f"/lines/{line}/stations/{station}/slots/F01/supply", json={"change": "loaded"})
    assert loaded.status_code == 409


def test_a_broker_hears_the_recording_in_the_plants_place_and_is_waited_for(
    broker: Mosquitto, start_program: StartProgram, tmp_path: Path
) -> None:
    broker.stop()
    words = ("--broker", broker.url, "--root", "copy", "--speed", "max")
    program = start_program("replay", str(tape(tmp_path)), *words)
    program.wait_for_log("waiting for the broker")
    program.signal(signal.SIGUSR1)
    program.wait_for_log("paused")
    broker.start()
    with _listening(broker, "copy/#") as heard:
        program.wait_for_log("the broker is there")
        program.signal(signal.SIGUSR1)
        assert program.wait(30) == 0, program.log()
        messages = [heard.get(timeout=10) for _ in range(FLOOR)]
    recorded = [read_line(line) for line in taped() if b'"earlybell.floor.' in line]
    said = [entry.data for entry in recorded if isinstance(entry, JournalEntry)]
    assert [payload for _, payload in messages] == said
    assert {topic.split("/")[0] for topic, _ in messages} == {"copy"}
    with _listening(broker, "copy/#") as kept:
        topic, payload = kept.get(timeout=10)
        assert "/order" in topic or "/recipe" in topic
        assert msgspec.json.decode(payload)["at"].startswith("2026-03-02")


@contextmanager
def _listening(broker: Mosquitto, topics: str) -> Iterator[queue.SimpleQueue[tuple[str, bytes]]]:
    heard: queue.SimpleQueue[tuple[str, bytes]] = queue.SimpleQueue()
    ready: queue.SimpleQueue[bool] = queue.SimpleQueue()
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)

    def subscribe(*_: object) -> None:
        client.subscribe(topics, qos=1)

    def hear(_client: object, _data: object, message: paho.MQTTMessage) -> None:
        heard.put((message.topic, bytes(message.payload)))

    client.on_connect = subscribe
    client.on_subscribe = lambda *_: ready.put(True)
    client.on_message = hear
    client.connect(broker.host, broker.port)
    client.loop_start()
    ready.get(timeout=10)
    try:
        yield heard
    finally:
        client.disconnect()
        client.loop_stop()
