"""What goes out, held back while the broker hasn't acknowledged enough of what went before: paho would keep
all of it, however long that lasts."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import paho.mqtt.client as paho

WINDOW = 500
"""Messages that are on their way or queued in paho."""
Message = tuple[str, bytes, bool, int]
"""Topic, payload, retain, QoS."""


class Unsent:
    """Of what is retained only the newest of a topic waits. For the thread of the connection alone."""

    def __init__(self, client: paho.Client) -> None:
        self._client = client
        self._waiting: dict[object, Message] = {}
        self._under_way: set[int] = set()
        client.on_publish = self._on_publish

    def add(self, messages: Iterable[Message]) -> None:
        for each in messages:
            topic, _, retain, _ = each
            self._waiting[topic if retain else object()] = each
        self.send()

    def send(self) -> None:
        """As much as there is room for."""
        while self._waiting and len(self._under_way) < WINDOW:
            topic, payload, retain, qos = self._waiting.pop(next(iter(self._waiting)))
            sent = self._client.publish(topic, payload, qos=qos, retain=retain)
            if qos:
                self._under_way.add(sent.mid)

    def forget(self) -> None:
        """The connection is lost: what waits is stale by the next one."""
        self._waiting.clear()

    def _on_publish(self, _client: Any, _data: Any, number: int, *_: Any) -> None:
        self._under_way.discard(number)
