"""Listening at a real broker: what a guest hears, and what it asks when it may."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from service.mqtt.client import Broker
from service.mqtt.listener import UnheardError, overhear
from service.usecases.overheard import NO_BIRTH, Overheard, draft_of
from simulators.dialects.sparkplug import Sparkplug
from simulators.messages import Message
from simulators.plant import Plant
from simulators.scenario import find_scenario
from tests.support.mosquitto import Mosquitto


def at(broker: Mosquitto, **changed: Any) -> Broker:
    return replace(Broker(host=broker.host, port=broker.port, client_id="earlybell"), **changed)


@contextmanager
def edge(broker: Mosquitto) -> Iterator[None]:
    """A simulated Sparkplug node, born before anybody listens; its minute is a tenth of a second."""
    plant = Plant(find_scenario("demo"), bell=True)
    node = Sparkplug("L3", run="edge", stamp=lambda seconds: "2026-03-02T06:00:00Z")
    commands: queue.SimpleQueue[tuple[str, bytes]] = queue.SimpleQueue()
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.on_message = lambda _c, _d, message: commands.put((message.topic, bytes(message.payload)))
    client.connect(broker.host, broker.port)
    client.subscribe(str(node.commands()))
    client.loop_start()

    def publish(messages: list[Message]) -> None:
        for each in messages:
            client.publish(each.topic, each.payload, qos=each.qos).wait_for_publish(10)

    def live() -> None:
        while not over.wait(0.1):
            while not commands.empty():
                publish(node.obey(*commands.get(), plant.now))
            for _, event in plant.advance(plant.now + 60):
                publish(node.encode(event))

    node.will("P1")
    publish(node.greet("P1", 0.0))
    for _, event in plant.advance(600):
        publish(node.encode(event))
    over = threading.Event()
    thread = threading.Thread(target=live)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()
        client.disconnect()
        client.loop_stop()


def listened(broker: Broker, *, seconds: float, births: bool = False) -> Overheard:
    heard = Overheard()

    def hear(topic: bytes, payload: bytes, retained: bool) -> None:
        heard.hear(topic, payload, now(), retained=retained)

    took = overhear(
        broker,
        ["#"],
        seconds=seconds,
        hear=hear,
        stop=threading.Event(),
        ask=lambda: heard.births(now()) if births else (),
    )
    assert took == pytest.approx(seconds, abs=1.0)
    return heard


def now() -> int:
    return time.time_ns() // 1000


def test_a_node_that_was_born_before_tells_its_names_once_it_is_asked(broker: Mosquitto) -> None:
    with edge(broker):
        unasked = listened(at(broker), seconds=1)
        asked = listened(at(broker), seconds=3, births=True)

    assert unasked.heard.cut[NO_BIRTH] > 0
    assert draft_of(unasked.heard) == ""
    assert 'name = "Feeders/{slot}/Placed"' in draft_of(asked.heard)


@pytest.mark.parametrize("protocol", [3, 5])
def test_what_the_broker_keeps_is_heard_as_such(broker: Mosquitto, protocol: int) -> None:
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.connect(broker.host, broker.port)
    client.loop_start()
    client.publish("hall/kept", b"on", qos=1, retain=True).wait_for_publish(10)
    client.disconnect()
    client.loop_stop()

    heard = listened(at(broker, protocol=protocol), seconds=0.5).heard

    assert heard.topics["hall/kept"].retained == heard.topics["hall/kept"].messages == 1


def test_who_is_not_let_in_is_told_why(start_broker) -> None:
    closed = start_broker(allow_anonymous="false")

    with pytest.raises(UnheardError, match="refused us"):
        listened(at(closed), seconds=1)
