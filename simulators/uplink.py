"""One gateway's connection to a broker: MQTT 5, one message at a time, each kept until it is acknowledged
(or, at QoS 0, sent).

A connection has one last will, so what speaks for each station has its own. What is in flight when the broker
goes away is sent again by the client library where its QoS says so; nothing is published twice from here.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from urllib.parse import unquote, urlsplit

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTv5
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from simulators.messages import Message


class PublishRefused(Exception):
    """The broker said no to a message; saying it again will not help."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Broker:
    host: str
    port: int
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False

    @classmethod
    def of(cls, url: str) -> Broker:
        """From ``mqtt://[user:password@]host[:port]`` or ``mqtts://…``. ``ValueError`` says what is wrong."""
        parts = urlsplit(url)
        if parts.scheme not in {"mqtt", "mqtts"} or not parts.hostname:
            raise ValueError(f"broker {url!r} is not of the form mqtt://host:port or mqtts://host:port")
        tls = parts.scheme == "mqtts"
        return cls(
            host=parts.hostname,
            port=parts.port or (8883 if tls else 1883),
            username=unquote(parts.username) if parts.username else None,
            password=unquote(parts.password) if parts.password else None,
            tls=tls,
        )


class Uplink:
    """``will`` is what the broker says when the connection that is about to be made breaks; ``commands``,
    where the gateway obeys any, is the topic filter of what ``heard`` collects."""

    def __init__(
        self, broker: Broker, name: str, *, will: Callable[[], Message], commands: str | None = None
    ) -> None:
        self.trouble: str | None = "not connected yet"
        """Why there is no connection; ``None`` while there is one."""
        self.heard: queue.SimpleQueue[tuple[str, bytes]] = queue.SimpleQueue()
        self._broker = broker
        self._will = will
        self._commands = commands
        self._new = threading.Event()
        self._in_flight: int | None = None
        # The library calls back with its own locks held: hand over through a queue, never wait there.
        self._acknowledged: queue.SimpleQueue[tuple[int, ReasonCode]] = queue.SimpleQueue()
        self._client = Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=MQTTv5)
        self._client.reconnect_delay_set(1, 5)
        self._client.connect_timeout = 2.0
        if broker.username:
            self._client.username_pw_set(broker.username, broker.password)
        if broker.tls:
            self._client.tls_set()
        self._client.on_pre_connect = self._set_will
        self._client.on_connect = self._connected
        self._client.on_message = lambda _c, _d, said: self.heard.put((said.topic, bytes(said.payload)))
        self._client.on_connect_fail = self._unreachable
        self._client.on_disconnect = self._disconnected
        self._client.on_publish = self._published

    def start(self) -> None:
        """Connect, and keep connecting, in the background."""
        self._client.connect_async(self._broker.host, self._broker.port, keepalive=20)
        self._client.loop_start()

    def greet(self, words: Callable[[], Sequence[Message]]) -> bool:
        """Say them first where the connection is new; whether it was."""
        if not self._new.is_set():
            return False
        self._new.clear()
        for message in words():
            self._publish(message)
        return True

    def forget(self) -> None:
        """What is in flight isn't waited for any more."""
        self._in_flight = None

    def deliver(self, message: Message, timeout: float) -> bool:
        """Publish and wait up to ``timeout`` seconds; while it answers ``False``, call it with the same
        message again. ``PublishRefused`` when the broker won't have it."""
        if self._in_flight is None:
            if self._new.is_set() or self.trouble:
                return False
            self._in_flight = self._publish(message)
        if not self._await_acknowledgement(message.topic, timeout):
            return False
        self._in_flight = None
        return True

    def disconnect(self) -> None:
        """Leave in an orderly way: the will is not said."""
        self._client.disconnect()

    def close(self) -> None:
        """Wait for the network thread to end; after ``disconnect``."""
        self._client.loop_stop()

    def _publish(self, message: Message) -> int:
        info = self._client.publish(message.topic, message.payload, qos=message.qos, retain=message.retain)
        return info.mid

    def _set_will(self, client: Client, _: object) -> None:
        will = self._will()
        client.will_set(will.topic, will.payload, qos=will.qos, retain=will.retain)

    def _await_acknowledgement(self, topic: str, timeout: float) -> bool:
        end = time.monotonic() + timeout
        while (left := end - time.monotonic()) > 0:
            try:
                mid, reason = self._acknowledged.get(timeout=left)
            except queue.Empty:
                return False
            if mid == self._in_flight:
                if reason.is_failure:
                    raise PublishRefused(f"the broker refused a message on {topic}: {reason}")
                return True
        return False

    def _connected(
        self,
        client: Client,
        _: object,
        flags: ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            self.trouble = f"the broker refused the connection: {reason}"
            return
        if self._commands:
            client.subscribe(self._commands, qos=1)
        self._new.set()
        self.trouble = None

    def _unreachable(self, client: Client, _: object) -> None:
        self.trouble = "nobody answers there"

    def _disconnected(
        self,
        client: Client,
        _: object,
        flags: DisconnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if self.trouble is None:
            self.trouble = f"the connection broke: {reason}"

    def _published(
        self, client: Client, _: object, mid: int, reason: ReasonCode, properties: Properties | None
    ) -> None:
        self._acknowledged.put((mid, reason))
