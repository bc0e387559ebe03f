"""Listens to a broker for a while: as a guest that leaves nothing behind and says nothing."""

from __future__ import annotations

import secrets
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace

from service.mqtt.client import Broker, Connection, Token

PATIENCE = 5.0
"""Seconds in which the broker must have taken us."""
LOOK = 0.05

Hear = Callable[[bytes, bytes, bool], None]


class UnheardError(Exception):
    """The broker can't be listened to; the text says why."""


def as_guest(broker: Broker) -> Broker:
    """The same broker under a client id that nobody else has."""
    return replace(broker, client_id=f"{broker.client_id[:48]}-{secrets.token_hex(4)}")


def overhear(
    broker: Broker, filters: Sequence[str], *, seconds: float, hear: Hear, stop: threading.Event
) -> float:
    """Give ``hear`` every message (topic, payload, whether it was retained) for so many seconds from when
    the subscription stands, or until ``stop``; in a thread of its own, never two at once. Returns the seconds
    that it listened. A connection that breaks is made again. Raises ``UnheardError`` when the broker doesn't
    take us."""
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
        stop.wait(max(0.0, began + seconds - time.monotonic()))
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
