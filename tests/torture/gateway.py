"""The floor's side of the broker: stations that count, and their gateway.

It publishes what the ledger has, keeps what isn't said to be stored, sends again what is asked for, and
sometimes says a thing twice. What the broker acknowledged and lost is the matter of the topics for that."""

from __future__ import annotations

import json
import random
import threading
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

from tests.torture.ledger import Ledger
from tests.torture.station import Json, Station

TICK = 0.1
TWICE = 0.01
"""Of the messages: a gateway that isn't sure whether one went out."""
GARBAGE = 0.002
REBOOT = 0.002
"""Of the panels."""


class Floor:
    """All stations and their one gateway. ``panels_a_second`` of each station while it doesn't wait."""

    def __init__(
        self,
        port: int,
        stations: Sequence[Station],
        ledger: Ledger,
        chance: random.Random,
        *,
        panels_a_second: float,
    ) -> None:
        self.stations = {station.place: station for station in stations}
        self.ledger = ledger
        self.lots: dict[tuple[str, str, str], str | None] = {}
        """What the program shows as loaded in each slot."""
        self.asked = self.resent = 0
        self.waited = 0.0
        """Seconds that stations stood for want of a supply."""
        self.failed: BaseException | None = None
        self._chance = chance
        self._pace = panels_a_second
        self._lock = threading.RLock()
        self._over = threading.Event()
        self._garbage = 0
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5, client_id="gateway")
        self._client.max_inflight_messages_set(200)
        self._client.reconnect_delay_set(1, 1)
        self._client.on_connect = lambda client, *_: client.subscribe("earlybell/#", qos=1)
        self._client.on_message = self._heard
        self._client.connect_async("127.0.0.1", port, keepalive=5)
        self._thread = threading.Thread(target=self._guarded, args=(self._run,), name="floor", daemon=True)

    def open(self) -> None:
        self._client.loop_start()

    def begin(self) -> None:
        """Recipes, the first counts; then panels, until ``end``."""
        with self._lock:
            recipes = [(self._topic(each, "recipe"), each.recipe()) for each in self.stations.values()]
            firsts = [
                (self._topic(each, "count"), each.first_count(_now())) for each in self.stations.values()
            ]
            self.ledger.write([*recipes, *firsts])
            for topic, body in recipes:
                self._publish(topic, body, retain=True)
            for topic, body in firsts:
                self._publish(topic, body)

    def run(self) -> None:
        self._thread.start()

    def end(self) -> None:
        """The shift is over: a last panel at each station, then nothing more is made."""
        self._over.set()
        self._thread.join()
        self.say([self._count(each) for each in self.stations.values()])

    def close(self) -> None:
        self._over.set()
        self._client.disconnect()
        self._client.loop_stop()

    def fill(self, line: str, station: str, body: Json) -> None:
        """The machine takes from a supply once it is heard of: used before, it would look like a refill that
        nobody reported, and plain arithmetic would be over."""
        with self._lock:
            left = self.stations[line, station].left
            left[body["slot"]] = left.get(body["slot"], 0) + body["quantity"]

    def send(self, topic: str, body: Json) -> None:
        """Say what the ledger has already."""
        self._publish(topic, body)

    def say(self, messages: Sequence[tuple[str, Json]]) -> None:
        """First the ledger, then the broker."""
        self.ledger.write(messages)
        for topic, body in messages:
            self._publish(topic, body)
            if self._chance.random() < TWICE:
                self._publish(topic, body)

    def _run(self) -> None:
        before = time.monotonic()
        while not self._over.wait(TICK):
            now = time.monotonic()
            passed, before = now - before, now
            with self._lock:
                made = [
                    self._count(each) for each in self.stations.values() if self._makes_a_panel(each, passed)
                ]
            if made:
                self.say(made)
            if self._chance.random() < GARBAGE * len(made):
                self._say_garbage()

    def _makes_a_panel(self, station: Station, passed: float) -> bool:
        """Within ``passed`` seconds."""
        if station.reboots:
            now = time.monotonic()
            if not station.may_reboot(now):
                for body in station.unheard(now):
                    self._publish(self._topic(station, "count"), body)
                return False
            station.reboot()
        if station.waits:
            self.waited += passed
            return False
        makes = self._chance.random() < self._pace * passed
        station.reboots = makes and self._chance.random() < REBOOT
        return makes

    def _count(self, station: Station) -> tuple[str, Json]:
        with self._lock:
            return self._topic(station, "count"), station.make_panel(_now())

    def _say_garbage(self) -> None:
        self._garbage += 1
        text = f"no message at all, number {self._garbage}"
        station = next(iter(self.stations.values()))
        self.ledger.write([(self._topic(station, "garbage"), {"text": text})])
        self._client.publish(f"floor/{self._topic(station, 'count')}", text.encode(), qos=1)

    def _publish(self, topic: str, body: Json, *, retain: bool = False) -> None:
        self._client.publish(f"floor/{topic}", json.dumps(body).encode(), qos=1, retain=retain)

    def _heard(self, _client: Any, _data: Any, message: paho.MQTTMessage) -> None:
        self._guarded(lambda: self._hear(message.topic.split("/")[1:], bytes(message.payload)))

    def _hear(self, levels: list[str], payload: bytes) -> None:
        match levels:
            case [line, station, "received"]:
                said = json.loads(payload)
                with self._lock:
                    self.stations[line, station].hear_received(said["session"], said["seq"])
            case [line, station, "resend"]:
                self._send_again(line, station, json.loads(payload))
            case [line, station, slot, "forecast"]:
                self.lots[line, station, slot] = json.loads(payload)["lot"]
            case _:
                pass

    def _send_again(self, line: str, station: str, asked: Json) -> None:
        with self._lock:
            kept = self.stations[line, station].resend(asked["session"], asked["from"], asked["to"])
        self.asked += 1
        self.resent += len(kept)
        for body in kept:
            self._publish(f"{line}/{station}/count", body)

    def _guarded(self, work: Callable[[], None]) -> None:
        """A mistake of the harness must end the run, not a thread."""
        try:
            work()
        except BaseException as error:
            self.failed = error
            raise

    @staticmethod
    def _topic(station: Station, kind: str) -> str:
        return f"{station.line}/{station.name}/{kind}"


def _now() -> datetime:
    return datetime.now(UTC)
