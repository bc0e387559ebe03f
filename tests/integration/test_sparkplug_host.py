"""What Eclipse Sparkplug 3.0.0 binds a host application to: on the wire to a real broker, read byte by byte,
and in the running program. Each of its assertions for hosts stands in ``CHECKS`` beside its test, or in
``NOT_CHECKED`` beside the reason."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from itertools import groupby
from pathlib import Path
from typing import Any

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from service import outside
from service.mqtt.client import Broker, Connection, Token
from service.mqtt.host import Host
from service.settings import load
from tests.support import mqtt_tap as tap_of
from tests.support import sparkplug_edge as spb
from tests.support.mosquitto import Mosquitto, StartBroker
from tests.support.mqtt_tap import CONNECT, DISCONNECT, PUBLISH, SUBACK, SUBSCRIBE, Tap
from tests.support.processes import StartProgram
from tests.support.sparkplug_edge import Edge, Message
from tests.support.sparkplug_hall import Hall
from tests.support.wait import eventually
from tests.unit.wire import test_sparkplug as on_nodes

STATE = "spBv1.0/STATE/hollerbach-host"


@contextmanager
def hosting(
    port: int,
    protocol: int = 5,
    *,
    client_id: str = "host",
    receive: Callable[[bytes, bytes, bool, Token], None] = lambda *_: None,
) -> Iterator[Connection]:
    broker = Broker(host="127.0.0.1", port=port, client_id=client_id, protocol=protocol)
    one = Connection(
        broker,
        topics=["spBv1.0/+/NDATA/+"],
        receive=receive,
        has_room=lambda: True,
        log=lambda *_, **__: None,
        lasting=False,
        presence=Host("hollerbach-host"),
    )
    thread = threading.Thread(target=one.run, daemon=True)
    thread.start()
    try:
        yield one
    finally:
        one.stop()
        thread.join(10)


class Onlooker:
    """Hears everything as others do, and says what it is told to."""

    def __init__(self, port: int) -> None:
        self.heard: list[paho.MQTTMessage] = []
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        subscribed = threading.Event()
        self._client.on_subscribe = lambda *_: subscribed.set()
        self._client.on_message = lambda _c, _d, message: self.heard.append(message)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._client.subscribe("#", qos=1)
        assert subscribed.wait(10)

    def states(self) -> list[dict[str, Any]]:
        """What was said of the host, a repeat once; what is no STATE is left out."""
        found = [bytes(each.payload) for each in self.heard if each.topic == STATE]
        return [json.loads(each) for each, _ in groupby(found) if each.startswith(b"{")]

    def says(self) -> list[bool]:
        """Whether the host is online, as was heard one after another."""
        return [each["online"] for each in self.states()]

    def commands(self) -> list[paho.MQTTMessage]:
        return [each for each in self.heard if "/NCMD/" in each.topic]

    def say(self, *messages: Message) -> None:
        for each in messages:
            self._client.publish(*each).wait_for_publish(10)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def onlooker(broker: Mosquitto) -> Iterator[Onlooker]:
    one = Onlooker(broker.port)
    yield one
    one.close()


@pytest.fixture
def tap(broker: Mosquitto) -> Iterator[Tap]:
    one = Tap(broker.port)
    yield one
    one.close()


def now() -> int:
    return int(time.time() * 1000)


@pytest.mark.parametrize(("protocol", "expiry"), [(5, 0), (3, None)])
def test_a_host_keeps_no_session_and_leaves_its_death_as_the_will(
    tap: Tap, protocol: int, expiry: int | None
) -> None:
    before = now()
    with hosting(tap.port, protocol) as host:
        eventually(lambda: host.ready)
        connecting = tap.connecting()
        assert (connecting.clean, connecting.session_expiry) == (True, expiry)
        assert connecting.will is not None
        assert connecting.will[0::2] == (STATE, 1)
        assert connecting.will.retain
        said = json.loads(connecting.will.payload)
        assert said == {"online": False, "timestamp": said["timestamp"]}
        assert before <= said["timestamp"] <= now(), "milliseconds UTC, of when it connects"


@pytest.mark.parametrize("protocol", [5, 3])
def test_a_host_subscribes_and_then_says_that_it_is_online_before_anything_else(
    broker: Mosquitto, protocol: int
) -> None:
    tap = Tap(broker.port, withholds=SUBACK)
    with hosting(tap.port, protocol) as host:
        eventually(lambda: SUBSCRIBE in tap.kinds())
        assert tap.kinds() == [CONNECT, SUBSCRIBE], "it waits until the subscriptions stand"
        assert set(tap.subscribed()) == {STATE, "spBv1.0/+/NDATA/+"}
        host.publish([("spBv1.0/G/NCMD/N", b"", False)], qos=0)
        tap.let_through()
        eventually(lambda: host.ready and PUBLISH in tap.kinds())
        assert tap.kinds()[:3] == [CONNECT, SUBSCRIBE, PUBLISH]
        will = tap.connecting().will
        assert will is not None
        birth = {"online": True, "timestamp": json.loads(will.payload)["timestamp"]}
        first = tap.published()[0]
        assert (json.loads(first.payload), first.topic, first.qos, first.retain) == (birth, STATE, 1, True)
    tap.close()


def test_a_host_that_is_said_to_be_offline_says_at_once_that_it_is_not(
    broker: Mosquitto, tap: Tap, onlooker: Onlooker
) -> None:
    with hosting(tap.port) as host:
        eventually(lambda: host.ready and onlooker.states())
        (birth,) = onlooker.states()
        lie = json.dumps({"online": False, "timestamp": birth["timestamp"] - 1}).encode()
        onlooker.say(Message(STATE, b"nonsense"), Message(STATE, lie, 1, retain=True))
        eventually(lambda: onlooker.says()[-2:] == [False, True])
        assert onlooker.states()[-1] == birth, "with the timestamp of its will"
        last = tap.published()[-1]
        assert (last.qos, last.retain) == (1, True)


def test_what_is_said_of_the_host_is_no_word_of_a_gateway(broker: Mosquitto, onlooker: Onlooker) -> None:
    heard: list[bytes] = []
    with hosting(broker.port, receive=lambda topic, *_: heard.append(topic)) as host:
        eventually(lambda: host.ready and onlooker.states())
        onlooker.say(Message(STATE, b"nonsense", 1), Message("spBv1.0/G/NDATA/N", b"", 1))
        eventually(lambda: heard)
    assert heard == [b"spBv1.0/G/NDATA/N"]


@pytest.mark.parametrize("protocol", [5, 3])
def test_a_host_that_ends_says_so_and_disconnects(tap: Tap, onlooker: Onlooker, protocol: int) -> None:
    with hosting(tap.port, protocol) as host:
        eventually(lambda: host.ready and onlooker.states())
        before = now()
    eventually(lambda: tap.kinds()[-2:] == [PUBLISH, DISCONNECT])
    death = tap.published()[-1]
    said = json.loads(death.payload)
    assert said == {"online": False, "timestamp": said["timestamp"]}
    assert before <= said["timestamp"] <= now(), "the time at which it ends"
    assert (death.topic, death.qos, death.retain) == (STATE, 1, True)
    eventually(lambda: onlooker.says() == [True, False])


def test_a_host_that_is_torn_off_is_offline_and_comes_back_with_a_new_time(
    tap: Tap, onlooker: Onlooker
) -> None:
    with hosting(tap.port) as host:
        eventually(lambda: host.ready and onlooker.states())
        eventually(lambda: now() > onlooker.states()[0]["timestamp"])
        tap.cut()
        eventually(lambda: onlooker.says() == [True, False, True])
        first, will, second = onlooker.states()
        assert first["timestamp"] == will["timestamp"] < second["timestamp"]


def test_each_broker_has_a_timestamp_of_its_own(start_broker: StartBroker) -> None:
    one, other = start_broker(), start_broker()
    with ExitStack() as stack:
        onlookers = [Onlooker(each.port) for each in (one, other)]
        for each in onlookers:
            stack.callback(each.close)
        stack.enter_context(hosting(one.port))
        (first,) = eventually(onlookers[0].states)
        eventually(lambda: now() > first["timestamp"])
        stack.enter_context(hosting(other.port))
        (second,) = eventually(onlookers[1].states)
        assert first["timestamp"] < second["timestamp"]
        assert onlookers[0].states() == [first]


def test_no_two_sources_are_the_same_host_unless_they_are_told_to(tmp_path: Path) -> None:
    rule = '[[source.value]]\nname = "Panels"\nmeans = "panels"'
    sources = [f'[[source]]\nname = "{name}"\nformat = "sparkplug"\n{rule}' for name in ("east", "west")]
    (tmp_path / "c.toml").write_text("\n".join(sources))
    settings = load(tmp_path / "c.toml", {})
    ids = [outside.source_broker(settings, each).host_id for each in settings.sources]
    assert ids == ["earlybell-east", "earlybell-west"]


def feeder(total: int) -> list[bytes]:
    """What the birth of a device says of one: the reel, what it held, and what was placed."""
    reel = spb.metric("Feeders/F07/Reel", "R4711", spb.STRING)
    full = spb.metric("Feeders/F07/Parts", 1000)
    return [reel, full, spb.metric("Feeders/F07/Placed", total, spb.INT64, alias=7)]


def test_the_program_is_a_host_from_its_first_word_to_its_last(
    start_program: StartProgram, broker: Mosquitto, onlooker: Onlooker
) -> None:
    """The real program beside an edge node: births, data by alias, a gap, deaths, and its own end."""
    hall = Hall(start_program, broker.url)
    eventually(lambda: onlooker.says() == [True])
    edge = Edge(at=now())
    onlooker.say(edge.nbirth(), edge.dbirth("P1", *feeder(100)))
    hall.until("L3", "F07", left=1000)
    onlooker.say(edge.ddata("P1", spb.metric(None, 130, spb.INT64, alias=7, untyped=True)))
    hall.until("L3", "F07", left=970)

    edge.ddata("P1")  # is lost
    onlooker.say(edge.ddata("P1", spb.metric(None, 150, spb.INT64, alias=7, untyped=True)))
    (command,) = eventually(onlooker.commands)
    assert (command.topic, command.qos, command.retain) == ("spBv1.0/Hollerbach/NCMD/L3", 0, False)
    read = spb.read_command(bytes(command.payload))
    assert edge.at <= int(read.fields[1]) <= now()
    assert [(each[1], each[14]) for each in read.metrics] == [(b"Node Control/Rebirth", 1)]
    onlooker.say(edge.nbirth(), edge.dbirth("P1", *feeder(160)))
    hall.until("L3", "F07", left=940)

    edge.at = now()
    onlooker.say(edge.ddeath("P1"))
    hall.until("L3", "F07", left=940, stale=True)
    onlooker.say(edge.dbirth("P1", *feeder(160)))
    hall.until("L3", "F07", left=940)
    onlooker.say(edge.will())
    hall.until("L3", "F07", left=940, stale=True)

    hall.program.stop()
    hall.close()
    eventually(lambda: onlooker.says() == [True, False])


SESSION = test_a_host_keeps_no_session_and_leaves_its_death_as_the_will
BIRTH = test_a_host_subscribes_and_then_says_that_it_is_online_before_anything_else
END = test_a_host_that_ends_says_so_and_disconnects
REQUEST = on_nodes.test_a_rebirth_request_is_one_command_by_name
WIRE = test_the_program_is_a_host_from_its_first_word_to_its_last
CHECKS: Mapping[Callable[..., None], str] = {
    SESSION: """
        message-flow-phid-sparkplug-clean-session-311
        message-flow-phid-sparkplug-clean-session-50
        host-topic-phid-death-qos
        host-topic-phid-death-retain
        host-topic-phid-death-topic
        host-topic-phid-death-required
        host-topic-phid-death-payload
        host-topic-phid-death-payload-timestamp-connect
        operational-behavior-host-application-connect-will
        operational-behavior-host-application-connect-will-topic
        operational-behavior-host-application-connect-will-payload
        operational-behavior-host-application-connect-will-qos
        operational-behavior-host-application-connect-will-retained
        payloads-state-will-message
        payloads-state-will-message-qos
        payloads-state-will-message-retain
        payloads-state-will-message-payload
    """,
    BIRTH: """
        principles-birth-certificates-order
        host-topic-phid-birth-message
        host-topic-phid-birth-qos
        host-topic-phid-birth-retain
        host-topic-phid-birth-topic
        host-topic-phid-birth-sub-required
        host-topic-phid-birth-required
        host-topic-phid-birth-payload
        host-topic-phid-birth-payload-timestamp
        message-flow-phid-sparkplug-subscription
        message-flow-phid-sparkplug-state-publish
        message-flow-phid-sparkplug-state-publish-payload
        message-flow-phid-sparkplug-state-publish-payload-timestamp
        operational-behavior-primary-application-state-with-multiple-servers-state
        operational-behavior-host-application-connect-birth
        operational-behavior-host-application-connect-birth-topic
        operational-behavior-host-application-connect-birth-payload
        operational-behavior-host-application-connect-birth-qos
        operational-behavior-host-application-connect-birth-retained
        payloads-state-subscribe
        payloads-state-birth
        payloads-state-birth-payload
    """,
    test_a_host_that_is_said_to_be_offline_says_at_once_that_it_is_not: """
        message-flow-hid-sparkplug-state-message-delivered
    """,
    END: """
        host-topic-phid-death-payload-timestamp-disconnect-clean
        operational-behavior-host-application-termination
        operational-behavior-host-application-death-topic
        operational-behavior-host-application-death-payload
        operational-behavior-host-application-death-qos
        operational-behavior-host-application-death-retained
        operational-behavior-host-application-disconnect-intentional
    """,
    test_a_host_that_is_torn_off_is_offline_and_comes_back_with_a_new_time: "components-ph-state",
    test_each_broker_has_a_timestamp_of_its_own: """
        operational-behavior-host-application-multi-server-timestamp
        operational-behavior-primary-application-state-with-multiple-servers-state-subs
    """,
    test_no_two_sources_are_the_same_host_unless_they_are_told_to: """
        operational-behavior-host-application-host-id
    """,
    WIRE: """
        conformance-primary-host
        intro-sparkplug-host-state
        topics-ncmd-topic
        topics-ncmd-mqtt
        payloads-ncmd-qos
        payloads-ncmd-retain
    """,
    REQUEST: """
        topics-ncmd-timestamp
        topics-ncmd-payload
        payloads-ncmd-timestamp
        payloads-ncmd-seq
        operational-behavior-data-commands-ncmd-rebirth-verb
        operational-behavior-data-commands-ncmd-rebirth-name
        operational-behavior-data-commands-ncmd-rebirth-value
        operational-behavior-data-commands-ncmd-verb
        operational-behavior-data-commands-ncmd-metric-value
    """,
    on_nodes.test_a_node_that_takes_no_rebirths_is_not_asked_and_goes_on_after_a_gap: """
        operational-behavior-data-commands-ncmd-metric-name
        operational-behavior-data-commands-rebirth-name
    """,
    on_nodes.test_a_command_names_the_metric_also_where_a_birth_gave_it_an_alias: """
        operational-behavior-data-commands-rebirth-name-aliases
    """,
    on_nodes.test_how_long_a_message_may_be_late_is_configured: "operational-behavior-host-reordering-param",
    on_nodes.test_what_comes_too_early_waits_and_is_heard_in_order_when_the_missing_comes: """
        operational-behavior-host-reordering-start
        operational-behavior-host-reordering-success
    """,
    on_nodes.test_what_stays_missing_lets_the_node_be_born_again: """
        operational-behavior-host-reordering-rebirth
    """,
    on_nodes.test_the_death_of_a_node_ends_it_and_its_devices_by_our_clock: """
        operational-behavior-edge-node-termination-host-action-ndeath-node-offline
        operational-behavior-edge-node-termination-host-action-ndeath-node-tags-stale
        operational-behavior-edge-node-termination-host-action-ndeath-devices-offline
        operational-behavior-edge-node-termination-host-action-ndeath-devices-tags-stale
    """,
    on_nodes.test_a_device_dies_at_the_time_that_its_death_says: """
        operational-behavior-edge-node-termination-host-action-ddeath-devices-offline
        operational-behavior-edge-node-termination-host-action-ddeath-devices-tags-stale
    """,
}
NOT_CHECKED: Mapping[str, str] = {
    "no command is ever sent to a device: the program only listens, and a birth is asked of the node": """
        topics-dcmd-topic
        topics-dcmd-mqtt
        topics-dcmd-timestamp
        topics-dcmd-payload
        operational-behavior-data-commands-dcmd-verb
        operational-behavior-data-commands-dcmd-metric-name
        operational-behavior-data-commands-dcmd-metric-value
        payloads-dcmd-timestamp
        payloads-dcmd-seq
        payloads-dcmd-qos
        payloads-dcmd-retain
    """,
    "a deliberate end always has a DISCONNECT": """
        host-topic-phid-death-payload-timestamp-disconnect-with-no-disconnect-packet
    """,
    "it binds the edge node: the value of the metric in its birth is read by nobody here": """
        operational-behavior-data-commands-rebirth-value
    """,
}


def test_every_assertion_for_hosts_has_its_test_or_its_reason() -> None:
    listed = (Path(tap_of.__file__).parent / "sparkplug_assertions.txt").read_text().splitlines()
    named = [name for names in (*CHECKS.values(), *NOT_CHECKED.values()) for name in names.split()]
    assert sorted(f"tck-id-{name}" for name in named) == sorted(line for line in listed if line[0] != "#")
    assert all(each.__name__.startswith("test_") for each in CHECKS)
