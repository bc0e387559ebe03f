"""Our side of the broker's socket: read only with room, acknowledge only what was meant, say when refused."""

from __future__ import annotations

import socket
import struct
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import pytest

from service.mqtt.client import READS_A_TURN, Broker, Connection, Token
from service.mqtt.unsent import WINDOW
from tests.support.factory import Gateway
from tests.support.mosquitto import Mosquitto
from tests.support.ports import free_port
from tests.support.proxy import Proxy
from tests.support.wait import eventually


class Listener:
    """A connection in a thread of its own, and what it received."""

    def __init__(self, port: int, *, keepalive: int = 30) -> None:
        self.received: list[tuple[bytes, Token]] = []
        self.room = True
        self.most = 10**9
        self.full = 0
        self.sessions_lost = 0
        self.connection = Connection(
            Broker(host="127.0.0.1", port=port, client_id="listener"),
            topics=["floor/#"],
            receive=lambda _topic, payload, _retained, token: self.received.append((payload, token)),
            has_room=self._has_room,
            log=lambda *_, **__: None,
            session_lost=self._lost,
            keepalive=keepalive,
        )
        self._thread = threading.Thread(target=self.connection.run, daemon=True)
        self._thread.start()

    def _has_room(self) -> bool:
        room = self.room and len(self.received) < self.most
        self.full += not room
        return room

    def _lost(self) -> None:
        self.sessions_lost += 1

    def until(self, condition: Callable[[], object], timeout: float = 20.0) -> None:
        eventually(
            condition, timeout=timeout, message=lambda: f"trouble: {self.connection.trouble}", ignoring=()
        )

    def wait_until_full(self, most: int) -> None:
        """Until a turn has ended without room for more, or all there is was received."""
        before = self.full
        self.until(lambda: self.full > before + 1 or len(self.received) == most)

    def payloads(self) -> list[bytes]:
        return [payload for payload, _ in self.received]

    def acknowledge(self) -> None:
        self.connection.acknowledge([token for _, token in self.received])

    def close(self) -> None:
        self.connection.stop()
        self._thread.join(10)


@contextmanager
def listening(port: int, **options: int) -> Iterator[Listener]:
    listener = Listener(port, **options)
    try:
        yield listener
    finally:
        listener.close()


@pytest.fixture
def gateway(broker: Mosquitto) -> Iterator[Gateway]:
    gateway = Gateway(broker.port)
    yield gateway
    gateway.close()


def send(gateway: Gateway, *numbers: int) -> None:
    for number in numbers:
        gateway.send_raw("floor/a", b"%d" % number)


def test_without_room_nothing_is_read_and_the_broker_does_not_take_us_for_dead(
    broker: Mosquitto, gateway: Gateway
) -> None:
    with listening(broker.port, keepalive=1) as listener:
        listener.until(lambda: listener.connection.ready)
        listener.room = False
        ping = "Received PINGREQ from listener"
        eventually(lambda: broker.log().count(ping) >= 3, timeout=30, ignoring=())
        send(gateway, *range(50))
        before = broker.log().count(ping)
        # Three times as long as the broker waits for a client that says nothing.
        eventually(lambda: broker.log().count(ping) >= before + 12, timeout=30, ignoring=())
        assert listener.received == []
        assert listener.connection.ready
        listener.room = True
        listener.until(lambda: len(listener.received) == 50)
        assert {token[0] for _, token in listener.received} == {1}, "it is still the first connection"


def test_a_backlog_never_fills_more_than_the_room_there_is(broker: Mosquitto, gateway: Gateway) -> None:
    """Old brokers send all they have kept at once, whatever window they were told. As long as 400 of ours
    aren't acknowledged, behind all that, paho reads as many packets at a time."""
    with listening(broker.port) as listener:
        listener.until(lambda: listener.connection.ready)
        listener.room = False
        for number in range(3000):
            gateway._client.publish("floor/a", b"%d" % number, qos=1)
        send(gateway, 3000)
        listener.connection.publish([(f"out/{number}", b"0", False) for number in range(400)])
        listener.until(lambda: not listener.connection._todo)
        listener.most, listener.room = 200, True
        heard: list[bytes] = []
        while len(heard) < 3001:
            listener.wait_until_full(3001 - len(heard))
            taken = list(listener.received)
            assert len(taken) <= 200 + READS_A_TURN
            listener.acknowledge()
            del listener.received[: len(taken)]
            heard += [payload for payload, _ in taken]
    assert heard == [b"%d" % number for number in range(3001)]


def test_a_broker_that_swallows_everything_is_noticed_told_and_found_again(
    broker: Mosquitto, gateway: Gateway
) -> None:
    wire = Proxy((broker.host, broker.port))
    with listening(wire.port, keepalive=1) as listener:
        listener.until(lambda: listener.connection.ready)
        wire.silent = True
        listener.until(lambda: not listener.connection.ready)
        assert listener.connection.trouble is not None
        send(gateway, 1)
        wire.silent = False
        wire.cut()
        listener.until(lambda: listener.payloads() == [b"1"])
    wire.close()


def test_an_acknowledgement_of_before_the_broker_forgot_us_takes_no_other_message_away(
    broker: Mosquitto, gateway: Gateway
) -> None:
    with listening(broker.port) as listener:
        listener.until(lambda: listener.connection.ready)
        send(gateway, *range(5))
        listener.until(lambda: len(listener.received) == 5)
        late = [token for _, token in listener.received]
        broker.kill()
        broker.start()
        listener.until(lambda: listener.connection.ready and listener.sessions_lost == 1)
        listener.received.clear()
        send(gateway, *range(100, 105))
        listener.until(lambda: len(listener.received) == 5)
        assert [number for _, number in late] == [token[1] for _, token in listener.received], (
            "the same numbers"
        )
        listener.connection.acknowledge(late)
    with listening(broker.port) as again:
        again.until(lambda: again.payloads() == [b"%d" % number for number in range(100, 105)])
        again.acknowledge()
    with listening(broker.port) as last:
        last.until(lambda: last.connection.ready)
        send(gateway, 1)
        last.until(lambda: last.payloads() == [b"1"])


class Refusing:
    """As much of a broker as it takes to refuse a subscription, and to grant the next one."""

    def __init__(self, refusals: int) -> None:
        self.port = free_port()
        self.subscriptions = 0
        self._refusals = refusals
        self._listener = socket.create_server(("127.0.0.1", self.port))
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            with client:
                self._talk(client)

    def _talk(self, client: socket.socket) -> None:
        while packet := self._read(client):
            kind, body = packet
            if kind == 1:
                client.sendall(b"\x20\x03\x00\x00\x00")
            elif kind == 8:
                self.subscriptions += 1
                granted = 0x01 if self.subscriptions > self._refusals else 0x87
                client.sendall(b"\x90\x04" + body[:2] + b"\x00" + bytes([granted]))

    def _read(self, client: socket.socket) -> tuple[int, bytes] | None:
        try:
            head = client.recv(2)
            return (head[0] >> 4, client.recv(head[1])) if len(head) == struct.calcsize("BB") else None
        except OSError:
            return None

    def close(self) -> None:
        self._listener.close()


def test_a_refused_subscription_is_told_as_the_reason_and_tried_again_until_it_is_granted() -> None:
    broker = Refusing(refusals=2)
    try:
        with listening(broker.port) as listener:
            listener.until(lambda: "refused our subscription to floor/#" in str(listener.connection.trouble))
            assert not listener.connection.ready
            listener.until(lambda: listener.connection.ready)
            assert (broker.subscriptions, listener.connection.trouble) == (3, None)
    finally:
        broker.close()


def test_while_the_broker_acknowledges_nothing_only_the_newest_of_each_topic_waits(
    broker: Mosquitto, gateway: Gateway
) -> None:
    gateway.listen("out/#")
    with listening(broker.port) as listener:
        listener.until(lambda: listener.connection.ready)
        broker.hold()
        try:
            for number in range(300):
                listener.connection.publish([(f"out/{slot}", b"%d" % number, True) for slot in range(20)])
            listener.until(lambda: not listener.connection._todo)
        finally:
            broker.go_on()
        listener.until(lambda: all(gateway.last(f"out/{slot}") == 299 for slot in range(20)))
    assert sum(map(len, gateway.heard.values())) <= WINDOW + 20, "of 6,000"
