"""A session that outlives a division of the floor: what isn't wanted any more is given up at the broker."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import pytest

from service.mqtt.client import Broker, Connection, Token
from tests.support.factory import Gateway
from tests.support.mosquitto import Mosquitto
from tests.support.wait import eventually


@contextmanager
def hearing(
    broker: Mosquitto, topics: Sequence[str], stale: Sequence[str] = (), *, protocol: int = 5
) -> Iterator[list[bytes]]:
    """The topics of all that a connection of the same session receives, each acknowledged."""
    heard: list[bytes] = []

    def receive(topic: bytes, _payload: bytes, _retained: bool, token: Token) -> None:
        heard.append(topic)
        connection.acknowledge([token])

    connection = Connection(
        Broker(host="127.0.0.1", port=broker.port, client_id="east", protocol=protocol),
        topics=topics,
        stale=stale,
        receive=receive,
        has_room=lambda: True,
        log=lambda *_, **__: None,
    )
    thread = threading.Thread(target=connection.run, daemon=True)
    thread.start()
    try:
        eventually(lambda: connection.ready, message=lambda: str(connection.trouble))
        yield heard
    finally:
        connection.stop()
        thread.join(10)


@pytest.mark.parametrize("protocol", [5, 3])
def test_lines_that_another_has_by_now_are_not_sent_to_us_any_more(broker: Mosquitto, protocol: int) -> None:
    gateway = Gateway(broker.port)
    with hearing(broker, ["floor/#"], protocol=protocol) as heard:
        gateway.send("L/P1/count")
        eventually(lambda: heard == [b"floor/L/P1/count"])

    with hearing(broker, ["floor/E1/#"], ["floor/#", "floor/E2/#"], protocol=protocol) as since:
        # It is asked for behind the subscription, whose answer makes the connection ready.
        eventually(lambda: "Received UNSUBSCRIBE from east" in broker.log())
        for topic in ("L/P1/count", "E2/P1/count", "E1/P1/count"):
            gateway.send(topic)
        eventually(lambda: b"floor/E1/P1/count" in since)
        assert since == [b"floor/E1/P1/count"]
    gateway.close()
