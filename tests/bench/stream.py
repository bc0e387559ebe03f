"""The fixed stream that both sides of a comparison read: counts of eight slots, round robin over the
stations."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

SLOTS = 8


def counts(messages: int, stations: int) -> Iterator[tuple[str, bytes]]:
    """(topic, payload): every station places one panel a round; nothing of it is ever due."""
    for number in range(messages):
        station, panels = number % stations, number // stations + 1
        slots = {
            f"F{slot:02}": {"placed": panels * (slot + 2), "lost": panels * slot // 200}
            for slot in range(SLOTS)
        }
        body = {
            "at": f"2026-01-05T06:{panels // 60 % 60:02}:{panels % 60:02}.000Z",
            "session": "bench",
            "seq": panels,
            "panels": panels,
            "slots": slots,
        }
        yield f"floor/L{station // 100}/S{station % 100}/count", json.dumps(body).encode()


def supplies(stations: int) -> Iterator[tuple[str, bytes]]:
    """A full reel in every slot, so that every count is judged."""
    for station in range(stations):
        for slot in range(SLOTS):
            body = {
                "slot": f"F{slot:02}",
                "change": "loaded",
                "id": f"{station}-{slot}",
                "kind": "tape",
                "part": f"P-{slot}",
                "quantity": 5_000_000,
            }
            yield f"floor/L{station // 100}/S{station % 100}/supply", json.dumps(body).encode()


def publish(port: int, messages: Iterator[tuple[str, bytes]]) -> int:
    """Publish with QoS 1, wait for every acknowledgement; how many."""
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
    client.max_inflight_messages_set(1000)
    room = threading.Semaphore(2000)
    client.on_publish = lambda *_: room.release()
    client.connect("127.0.0.1", port)
    client.loop_start()
    last = None
    number = 0
    for topic, payload in messages:
        room.acquire()
        last = client.publish(topic, payload, qos=1)
        number += 1
    if last is not None:
        last.wait_for_publish(60)
    client.disconnect()
    client.loop_stop()
    return number


def session(expiry: int = 3600, window: int = 1000) -> Properties:
    properties = Properties(PacketTypes.CONNECT)
    properties.SessionExpiryInterval = expiry
    properties.ReceiveMaximum = window
    return properties


def keep_a_session(port: int, client_id: str) -> None:
    """Make the broker queue ``floor/#`` for a client that is away."""
    client = paho.Client(CallbackAPIVersion.VERSION2, client_id=client_id, protocol=paho.MQTTv5)
    subscribed = threading.Event()
    client.on_subscribe = lambda *_: subscribed.set()
    client.connect("127.0.0.1", port, clean_start=False, properties=session())
    client.loop_start()
    client.subscribe("floor/#", qos=1)
    if not subscribed.wait(10):
        raise TimeoutError("the broker doesn't take our subscription")
    client.disconnect()
    client.loop_stop()
