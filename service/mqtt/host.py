"""What a Sparkplug host application owes its broker: to say there whether it is online.

The rules are of Eclipse Sparkplug 3.0.0 (4.9, 5.2, 5.14, 5.15): a will that says offline, a birth once the
subscriptions stand, a death before a deliberate end, and one timestamp a connection that will and birth
share. ``Connection`` says when each is due, and every call comes from its thread.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import msgspec
import paho.mqtt.client as paho


class State(msgspec.Struct):
    """The payload of a STATE message; the timestamp in milliseconds UTC."""

    online: bool
    timestamp: int


class Guest:
    """One who owes the broker nothing."""

    topics: tuple[str, ...] = ()

    def will(self, client: paho.Client) -> None:
        """A connection begins now."""

    def enter(self, client: paho.Client) -> None:
        """Its subscriptions stand."""

    def watch(self, client: paho.Client, topic: bytes, payload: bytes) -> bool:
        """A message came; whether it is about us alone."""
        return False

    def leave(self, client: paho.Client) -> Callable[[], bool]:
        """It ends because we want it to, and may once the answer is true."""
        return lambda: True


class Host(Guest):
    def __init__(self, host_id: str, *, clock: Callable[[], float] = time.time) -> None:
        """``clock``: seconds since 1970, UTC."""
        self.topics = (f"spBv1.0/STATE/{host_id}",)
        self._clock = clock
        self._since = 0
        self._online = False

    def will(self, client: paho.Client) -> None:
        self._online = False
        self._since = self._now()
        client.will_set(self.topics[0], _state(online=False, timestamp=self._since), qos=1, retain=True)

    def enter(self, client: paho.Client) -> None:
        self._online = True
        self._say(client, online=True, timestamp=self._since)

    def watch(self, client: paho.Client, topic: bytes, payload: bytes) -> bool:
        """Whoever says that we're offline is contradicted."""
        if topic != self.topics[0].encode():
            return False
        if self._online and _says_offline(payload):
            self._say(client, online=True, timestamp=self._since)
        return True

    def leave(self, client: paho.Client) -> Callable[[], bool]:
        """The death is never older than the birth, whatever the clock does. The broker must have it: one that
        finds the connection closed while it still answers takes us for torn off."""
        if not self._online:
            return super().leave(client)
        self._online = False
        return self._say(client, online=False, timestamp=max(self._now(), self._since)).is_published

    def _say(self, client: paho.Client, *, online: bool, timestamp: int) -> paho.MQTTMessageInfo:
        return client.publish(self.topics[0], _state(online=online, timestamp=timestamp), qos=1, retain=True)

    def _now(self) -> int:
        return int(self._clock() * 1000)


def _state(*, online: bool, timestamp: int) -> bytes:
    return msgspec.json.encode(State(online, timestamp))


def _says_offline(payload: bytes) -> bool:
    try:
        return not msgspec.json.decode(payload, type=State).online
    except (msgspec.MsgspecError, ValueError, RecursionError):
        return False
