"""The broker's access rules that we ship: each account does its own work and nothing else."""

from __future__ import annotations

import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from service.mqtt.client import Broker, Connection
from tests.support.mosquitto import Mosquitto, StartBroker
from tests.support.wait import eventually

RULES = Path(__file__).parents[2] / "deploy" / "mosquitto.acl"
USERS = ("earlybell", "gateway-l3-p1", "planning", "screen")


@pytest.fixture
def guarded(start_broker: StartBroker, tmp_path: Path) -> Mosquitto:
    return guard(start_broker, tmp_path, RULES.read_text())


def guard(start_broker: StartBroker, tmp_path: Path, text: str) -> Mosquitto:
    passwords = tmp_path / "passwords"
    passwords.touch(mode=0o600)
    for user in USERS:
        subprocess.run(
            ["mosquitto_passwd", "-b", str(passwords), user, f"pw-{user}"], check=True, capture_output=True
        )
    rules = tmp_path / "rules"
    rules.write_text(text)
    return start_broker(allow_anonymous="false", password_file=passwords, acl_file=rules)


class Account:
    """One connection with an account; remembers what the broker answered and what it heard."""

    def __init__(self, broker: Mosquitto, user: str) -> None:
        self.heard: list[str] = []
        self.answers: dict[int, int] = {}
        self._answered = threading.Condition()
        self.client = paho.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self.client.username_pw_set(user, f"pw-{user}")
        self.client.on_message = lambda _c, _d, message: self.heard.append(message.topic)
        self.client.on_publish = lambda _c, _d, mid, reason, _p: self._note(mid, reason.value)
        self.client.on_subscribe = lambda _c, _d, mid, reasons, _p: self._note(mid, reasons[0].value)
        self.client.connect("127.0.0.1", broker.port)
        self.client.loop_start()
        eventually(self.client.is_connected, message=f"{user} didn't get in", ignoring=())

    def publish(self, topic: str, *, retain: bool = False) -> int:
        return self._answer(self.client.publish(topic, b"{}", qos=1, retain=retain).mid)

    def subscribe(self, topics: str) -> int:
        mid = self.client.subscribe(topics, qos=1)[1]
        assert mid is not None
        return self._answer(mid)

    def _note(self, mid: int, reason: int) -> None:
        with self._answered:
            self.answers[mid] = reason
            self._answered.notify_all()

    def _answer(self, mid: int) -> int:
        with self._answered:
            assert self._answered.wait_for(lambda: mid in self.answers, 10)
            return self.answers[mid]


@contextmanager
def account(broker: Mosquitto, user: str) -> Iterator[Account]:
    one = Account(broker, user)
    try:
        yield one
    finally:
        one.client.disconnect()
        one.client.loop_stop()


NOT_AUTHORIZED = 0x87


@contextmanager
def service(broker: Mosquitto, heard: list[bytes]) -> Iterator[Connection]:
    def receive(topic: bytes, _payload: bytes, _retained: bool, token: tuple[int, int]) -> None:
        heard.append(topic)
        one.acknowledge([token])

    one = Connection(
        Broker(
            host="127.0.0.1",
            port=broker.port,
            client_id="earlybell",
            username="earlybell",
            password="pw-earlybell",
            protocol=5,
            tls=None,
        ),
        topics=["floor/#"],
        receive=receive,
        has_room=lambda: True,
        log=lambda *_, **__: None,
    )
    thread = threading.Thread(target=one.run, daemon=True)
    thread.start()
    try:
        eventually(lambda: one.ready, message=lambda: f"the service isn't ready: {one.trouble}")
        yield one
    finally:
        one.stop()
        thread.join(10)


def test_a_gateway_speaks_for_its_own_station_only(guarded: Mosquitto) -> None:
    heard: list[bytes] = []
    with service(guarded, heard), account(guarded, "gateway-l3-p1") as gateway:
        foreign = ("floor/L3/P2/count", "floor/L4/P1/count", "floor/L3/order", "earlybell/L3/notices")
        for topic in (*foreign, "earlybell/L3/P1/received", "elsewhere", "floor/invented/0/count"):
            assert gateway.publish(topic) == NOT_AUTHORIZED
            assert gateway.publish(topic, retain=True) == NOT_AUTHORIZED
        assert gateway.publish("floor/L3/P1/count") != NOT_AUTHORIZED
        eventually(lambda: heard == [b"floor/L3/P1/count"], message=lambda: f"heard {heard}")


def test_who_listens_to_everything_hears_what_its_rules_say(guarded: Mosquitto) -> None:
    heard: list[bytes] = []
    with (
        service(guarded, heard) as ours,
        account(guarded, "gateway-l3-p1") as gateway,
        account(guarded, "planning") as planning,
    ):
        for topics in ("#", "floor/#", "earlybell/#", "$SYS/#"):
            gateway.subscribe(topics)
        assert planning.publish("floor/L3/order/o1") != NOT_AUTHORIZED
        ours.publish([("earlybell/L3/notices", b"[]", True), ("earlybell/L3/P1/received", b"{}", True)])
        eventually(lambda: "earlybell/L3/P1/received" in gateway.heard)
        eventually(lambda: b"floor/L3/order/o1" in heard)
        assert set(gateway.heard) == {"earlybell/L3/P1/received"}


def test_nobody_without_a_password_gets_in(guarded: Mosquitto) -> None:
    refused: list[int] = []
    client = paho.Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
    client.on_connect = lambda _c, _d, _f, reason, _p: refused.append(reason.value)
    client.connect("127.0.0.1", guarded.port)
    client.loop_start()
    eventually(lambda: refused)
    client.loop_stop()
    assert refused[0] == NOT_AUTHORIZED


def test_a_sparkplug_host_may_do_what_it_must_where_its_rules_are_switched_on(
    start_broker: StartBroker, tmp_path: Path
) -> None:
    broker = guard(start_broker, tmp_path, RULES.read_text().replace("\n#topic", "\ntopic"))
    with account(broker, "earlybell") as host, account(broker, "gateway-l3-p1") as gateway:
        host.subscribe("spBv1.0/#")
        assert host.publish("spBv1.0/STATE/earlybell", retain=True) != NOT_AUTHORIZED
        assert host.publish("spBv1.0/Hollerbach/NCMD/L3") != NOT_AUTHORIZED
        eventually(lambda: host.heard == ["spBv1.0/STATE/earlybell", "spBv1.0/Hollerbach/NCMD/L3"])
        for topic in ("spBv1.0/STATE/another", "spBv1.0/Hollerbach/NBIRTH/L3", "spBv1.0/Hall/DCMD/L3/P1"):
            assert host.publish(topic) == NOT_AUTHORIZED
        assert gateway.publish("spBv1.0/STATE/earlybell") == NOT_AUTHORIZED


@pytest.mark.parametrize("topic", ["floor/+/P1/count", "floor/L3/#", "floor/L3/P1/+"])
def test_a_topic_with_a_wildcard_can_not_even_be_sent(guarded: Mosquitto, topic: str) -> None:
    with account(guarded, "gateway-l3-p1") as gateway, pytest.raises(ValueError, match="wildcard"):
        gateway.publish(topic)
