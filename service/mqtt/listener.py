"""Listens to a broker for a while: as a guest that leaves nothing behind and says nothing unasked."""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace

from service.mqtt.client import Broker, Connection, Token
from service.wire.gateway import Request

PATIENCE = 5.0
"""Seconds in which the broker must have taken us."""
LOOK = 0.05
ASK_EVERY = 0.5

Hear = Callable[[bytes, bytes, bool], None]
Ask = Callable[[], Sequence[Request]]


class UnheardError(Exception):
    """The broker can't be listened to; the text says why."""


def as_guest(broker: Broker) -> Broker:
    """The same broker under a client id that nobody else has."""
    return replace(broker, client_id=f"{broker.client_id[:48]}-{secrets.token_hex(4)}")


def overhear(
    broker: Broker,
    filters: Sequence[str],
    *,
    seconds: float,
    hear: Hear,
    stop: threading.Event,
    ask: Ask = lambda: (),
) -> float:
    """Give ``hear`` every message (topic, payload, whether it was retained) for so many seconds from when
    the subscription stands, or until ``stop``; in a thread of its own, never two at once. Returns the seconds
    that it listened. A connection that breaks is made again. Raises ``UnheardError`` when the broker doesn't
    take us. Nothing is published but what ``ask`` gives, which is looked for twice a second."""
    done = threading.Event()

    def receive(topic: bytes, payload: bytes, retained: bool, token: Token) -> None:
        if not done.is_set():
            hear(topic, payload, retained)
        connection.acknowledge([token])

    connection = Connection(
        as_guest(broker),
        topics=filters,
        receive=receive,
        has_room=lambda: True,
        log=lambda *_, **__: None,
        lasting=False,
    )
    thread = threading.Thread(target=connection.run, name="listener", daemon=True)
    thread.start()
    try:
        began = _taken(connection, stop)
        if began is None:
            return 0.0
        while (left := began + seconds - time.monotonic()) > 0 and not stop.wait(min(left, ASK_EVERY)):
            for each in ask():
                connection.publish([(each.topic, each.payload, each.retain)], qos=each.qos)
        return time.monotonic() - began
    finally:
        done.set()
        connection.stop()
        thread.join(2.0)


def _taken(connection: Connection, stop: threading.Event) -> float | None:
    """When the subscription stood; ``None``: ``stop`` came first."""
    patience = time.monotonic() + PATIENCE
    while (since := connection.ready_since) is None:
        if stop.wait(LOOK):
            return None
        if time.monotonic() > patience:
            raise UnheardError(connection.trouble or "the broker doesn't answer")
    return since
