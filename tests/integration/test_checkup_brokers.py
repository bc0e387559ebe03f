"""What a check-up sees of a real broker, and what it leaves there: nothing."""

from __future__ import annotations

import json
import re
import subprocess
import threading
from collections.abc import Sequence
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from service.checkup import Finding, State
from service.checkup.brokers import main, source
from service.mqtt.client import Broker
from service.mqtt.visit import Asked, ask
from tests.support.certificates import Authority
from tests.support.checked import case_of, has, store_with, told
from tests.support.mosquitto import Mosquitto, StartBroker
from tests.support.ports import free_port
from tests.support.wait import eventually

RULES = "user earlybell\ntopic read floor/#\ntopic write earlybell/#\n\nuser reader\ntopic read floor/#\n"
PLUGIN = next(Path("/usr/lib").glob("*/mosquitto_dynamic_security.so"), None)


@pytest.fixture
def guarded(start_broker: StartBroker, tmp_path: Path) -> Mosquitto:
    passwords = tmp_path / "passwords"
    passwords.touch(mode=0o600)
    for user in ("earlybell", "reader"):
        subprocess.run(
            ["mosquitto_passwd", "-b", str(passwords), user, "right"], check=True, capture_output=True
        )
    rules = tmp_path / "rules"
    rules.write_text(RULES)
    return start_broker(allow_anonymous="false", password_file=passwords, acl_file=rules)


def look_at(folder: Path, broker: Mosquitto, more: str = "") -> Sequence[Finding]:
    return list(main(case_of(folder, f'[mqtt]\nurl = "{broker.url}"\n{more}')))


def login(password: str = "right", user: str = "earlybell") -> str:
    return f'username = "{user}"\npassword = "{password}"\n'


def test_a_broker_that_lets_us_in_to_hear_and_to_speak_is_good(tmp_path: Path, guarded: Mosquitto) -> None:
    found = look_at(tmp_path, guarded, login())
    assert told(found, State.WRONG) == []
    assert has(found, State.GOOD, "lets us in, to hear floor/#, and to publish")


def test_a_wrong_password_is_told_with_the_setting_that_holds_it(tmp_path: Path, guarded: Mosquitto) -> None:
    found = look_at(tmp_path, guarded, login("wrong"))
    assert [each.state for each in found] == [State.WRONG]
    assert "refused us: Not authorized → set mqtt.username and mqtt.password" in told(found, State.WRONG)[0]
    assert "wrong" not in found[0].found


def test_a_right_that_is_missing_is_told(tmp_path: Path, guarded: Mosquitto) -> None:
    found = look_at(tmp_path, guarded, login(user="reader"))
    assert has(
        found, State.WRONG, "publishing under earlybell/ was refused: Not authorized → give our account"
    )


@pytest.mark.skipif(
    PLUGIN is None, reason="mosquitto came without its plugin for roles, which alone refuses so"
)
def test_a_subscription_that_is_refused_is_told(tmp_path: Path, start_broker: StartBroker) -> None:
    roles = tmp_path / "roles.json"
    allowed = {
        "publishClientSend": True,
        "publishClientReceive": True,
        "subscribe": False,
        "unsubscribe": True,
    }
    roles.write_text(json.dumps({"defaultACLAccess": allowed, "clients": [], "groups": [], "roles": []}))
    broker = start_broker(plugin=PLUGIN, plugin_opt_config_file=roles)
    found = look_at(tmp_path, broker)
    assert has(
        found, State.WRONG, "the subscription to floor/# was refused: Not authorized → give our account"
    )


def test_what_a_broker_grants_less_of_than_is_needed_is_told(
    tmp_path: Path, start_broker: StartBroker
) -> None:
    broker = start_broker(retain_available="false", max_packet_size=20_000)
    found = look_at(tmp_path, broker)
    assert has(found, State.WRONG, "the broker keeps no retained messages → allow them")
    assert has(found, State.LOOK, "takes packets of 20000 bytes at most → allow 64 KiB")


def test_a_broker_that_is_not_there_is_told(tmp_path: Path) -> None:
    port = free_port()
    found = list(main(case_of(tmp_path, f'[mqtt]\nurl = "mqtt://127.0.0.1:{port}"\n')))
    assert has(
        found, State.WRONG, f"127.0.0.1:{port} can't be reached: Connection refused → start the broker"
    )


@pytest.mark.parametrize(
    ("days", "state", "text"),
    [
        (-1.0, State.WRONG, "its TLS certificate has expired → renew the broker's certificate"),
        (5.5, State.LOOK, "good for 5 more days"),
        (400.0, State.GOOD, "(399 days)"),
    ],
)
def test_the_days_that_a_brokers_certificate_has_left_are_told(
    tmp_path: Path, start_broker: StartBroker, days: float, state: State, text: str
) -> None:
    authority = Authority(tmp_path)
    pair = authority.sign(days=days)
    broker = start_broker(cafile=authority.ca_file, certfile=pair.cert, keyfile=pair.key)
    text_of = f'[mqtt]\nurl = "mqtts://127.0.0.1:{broker.port}"\nca_file = "{authority.ca_file}"\n'
    found = list(main(case_of(tmp_path, text_of)))
    assert has(found, state, text)


def test_a_source_at_a_broker_of_its_own_is_asked_there(tmp_path: Path, broker: Mosquitto) -> None:
    text = f"""
[[source]]
name = "north"
format = "native"
root = "north"
url = "{broker.url}"
"""
    case = case_of(tmp_path, text)
    (found, *_) = source(case, case.settings.sources[0])
    assert (found.area, found.state) == ("source north", State.GOOD)
    assert "to hear north/#" in found.found


class Session:
    """A client with a lasting session, as the service is."""

    def __init__(self, broker: Mosquitto, name: str, *, user: str | None = None) -> None:
        self.present: list[bool] = []
        self.heard: list[bytes] = []
        self.ready = threading.Event()
        self.client = paho.Client(
            CallbackAPIVersion.VERSION2, client_id=name, protocol=MQTTProtocolVersion.MQTTv5
        )
        if user is not None:
            self.client.username_pw_set(user, "right")
        self.client.on_connect = self._connected
        self.client.on_subscribe = lambda *_: self.ready.set()
        self.client.on_message = lambda _c, _d, message: self.heard.append(bytes(message.payload))
        self._properties = Properties(PacketTypes.CONNECT)
        self._properties.SessionExpiryInterval = 3600
        self._port = broker.port

    def _connected(self, client: paho.Client, _data: object, flags: paho.ConnectFlags, *_: object) -> None:
        self.present.append(flags.session_present)
        client.subscribe("floor/#", qos=1)

    def start(self) -> None:
        self.ready.clear()
        self.client.connect("127.0.0.1", self._port, clean_start=False, properties=self._properties)
        self.client.loop_start()
        assert self.ready.wait(10)

    def stop(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def say(broker: Mosquitto, payload: str) -> None:
    words = ["mosquitto_pub", "-p", str(broker.port), "-u", "gate", "-t", "floor/L1/P1/count", "-q", "1"]
    words += ["-m", payload]
    subprocess.run(words, check=True, capture_output=True)


@pytest.mark.parametrize("protocol", [5, 3])
def test_the_services_own_session_and_what_waits_in_it_are_left_as_they_were(
    broker: Mosquitto, protocol: int
) -> None:
    service = Session(broker, "earlybell")
    service.start()
    service.stop()
    say(broker, "one")
    there = Broker(host="127.0.0.1", port=broker.port, client_id="earlybell", protocol=protocol)
    granted = ask(Asked(broker=there, topics=["floor/#"], out="earlybell", seconds=3.0, listens=0.2))
    assert (granted.refused, granted.foreign_session) == (None, False)
    assert granted.publishing == ("" if protocol == 5 else None)
    service.start()
    eventually(lambda: service.heard == [b"one"], timeout=10, message=lambda: str(service.heard))
    service.stop()
    assert service.present == [False, True]


@pytest.mark.parametrize("protocol", [5, 3])
def test_a_broker_that_makes_the_client_id_from_the_login_keeps_the_services_session(
    start_broker: StartBroker, protocol: int
) -> None:
    """There we are the service to it, whatever id we say: what waits must still be there afterwards."""
    broker = start_broker(use_username_as_clientid="true")
    service = Session(broker, "earlybell", user="bell")
    service.start()
    service.stop()
    say(broker, "one")
    there = Broker(
        host="127.0.0.1", port=broker.port, client_id="earlybell", username="bell", password="right",
        protocol=protocol,
    )  # fmt: skip
    granted = ask(Asked(broker=there, topics=["floor/#"], out="earlybell", seconds=3.0, listens=0.2))
    assert (granted.foreign_session, granted.subscriptions) == (True, None)
    service.start()
    eventually(lambda: service.heard == [b"one"], timeout=10, message=lambda: str(service.heard))
    service.stop()
    assert service.present == [False, True]


@pytest.mark.parametrize("protocol", [5, 3])
def test_no_session_of_ours_stays_at_the_broker(tmp_path: Path, broker: Mosquitto, protocol: int) -> None:
    look_at(tmp_path, broker, f"protocol = {protocol}\n")
    names = set(re.findall(r"earlybell-check-\w+", broker.log()))
    assert len(names) == 1
    for name in names:
        again = Session(broker, name)
        again.start()
        again.stop()
        assert again.present == [False]


def test_stations_that_spoke_before_and_are_silent_now_are_told(tmp_path: Path, broker: Mosquitto) -> None:
    counted = store_with(tmp_path / "counted.db", "L3", "P1")
    text = f'[store]\nurl = "{counted}"\n[mqtt]\nurl = "{broker.url}"\n'
    found = list(main(case_of(tmp_path, text)))
    assert has(found, State.LOOK, "nothing is heard just now, though 1 stations were heard before")
