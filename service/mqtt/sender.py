"""Says messages to a broker, each until it is acknowledged and in order; waits for one that goes away."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from service.mqtt.client import Broker

AT_ONCE = 64
"""Messages that may wait for their acknowledgement together."""
LOOK = 0.5


class RefusedError(Exception):
    """The broker won't have it: the connection, or a message. Saying it again doesn't help."""


class Sender:
    """``trouble`` hears why there is no connection, and ``None`` once there is one again."""

    def __init__(self, broker: Broker, *, trouble: Callable[[str | None], None]) -> None:
        self._broker = broker
        self._trouble = trouble
        self._troubled: str | None = None
        self._free = threading.Semaphore(AT_ONCE)
        self._refused: str | None = None
        self._sent = self._acknowledged = 0
        self._settled = threading.Condition()
        five = broker.protocol == 5
        self._client = paho.Client(
            CallbackAPIVersion.VERSION2,
            client_id=broker.client_id,
            protocol=paho.MQTTv5 if five else paho.MQTTv311,
        )
        if broker.username is not None:
            self._client.username_pw_set(broker.username, broker.password)
        if broker.tls is not None:
            self._client.tls_set_context(broker.tls())
        self._client.reconnect_delay_set(1, 5)
        self._client.max_inflight_messages_set(AT_ONCE)
        self._client.on_connect = self._on_connect
        self._client.on_connect_fail = lambda *_: self._in_trouble("nobody answers there")
        self._client.on_disconnect = self._on_disconnect
        self._client.on_publish = self._on_publish

    def start(self) -> None:
        """Connect, and keep connecting, in the background."""
        self._client.connect_async(self._broker.host, self._broker.port, keepalive=20)
        self._client.loop_start()

    def send(self, topic: str, payload: bytes, *, retain: bool, going_on: Callable[[], bool]) -> bool:
        """Hand it over once there is room; ``False``: ``going_on`` said no before there was. Raises
        ``RefusedError``."""
        while not self._free.acquire(timeout=LOOK):
            if not going_on():
                return False
            self._must_be_taken()
        self._must_be_taken()
        self._client.publish(topic, payload, qos=1, retain=retain)
        self._sent += 1
        return True

    def finish(self, *, going_on: Callable[[], bool]) -> int:
        """Wait until all are acknowledged; how many aren't. Raises ``RefusedError``."""
        with self._settled:
            while self._acknowledged < self._sent and self._refused is None and going_on():
                self._settled.wait(LOOK)
        self._must_be_taken()
        return self._sent - self._acknowledged

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _must_be_taken(self) -> None:
        if self._refused is not None:
            raise RefusedError(self._refused)

    def _on_connect(self, _client: Any, _data: Any, _flags: Any, reason: ReasonCode, _more: Any) -> None:
        if reason.is_failure:
            self._refused = f"the broker refused the connection: {reason}"
            return
        self._troubled = None
        self._trouble(None)

    def _on_disconnect(self, _client: Any, _data: Any, _flags: Any, reason: ReasonCode, _more: Any) -> None:
        if reason.is_failure:
            self._in_trouble(f"the connection broke: {reason}")

    def _on_publish(self, _client: Any, _data: Any, _mid: int, reason: ReasonCode, _more: Any) -> None:
        if reason.is_failure:
            self._refused = f"the broker refused a message: {reason}"
        with self._settled:
            self._acknowledged += 1
            self._settled.notify_all()
        self._free.release()

    def _in_trouble(self, why: str) -> None:
        if why != self._troubled:
            self._troubled = why
            self._trouble(why)
