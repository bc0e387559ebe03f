"""OPC UA PubSub into our own messages. Clauses and tables are those of OPC 10000-14, version 1.05, where no
other part is named."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.model import SECOND, Instant, from_rfc3339, to_rfc3339
from service.wire.gateway import Native
from service.wire.native import Misfit, read_message
from service.wire.opcua import OpcUaTranslator, Places
from service.wire.values import Rule
from tests.support.story import Story

START = from_rfc3339("2026-03-02T06:00:00Z")
TOPIC = "opcua/json/data/line1-gw/fast/P1"
PLACES = Places(publisher="{line}-gw", writer="{station}", writers={"101": "P1"})
PLACED = Rule(name="{slot}/Placed", means="placed")
COUNTER = Rule(name="Counter", means="placed", fixed={"slot": "F07"})


class Gateway:
    """A translator and a clock: a message a second."""

    def __init__(self, *rules: Rule, places: Places = PLACES, keep_alive: float | None = None) -> None:
        self.made = rules or (COUNTER,), places, keep_alive
        self.now: Instant = START
        self.translator = self.make()
        self.stored: dict[str, bytes] = {}

    def make(self) -> OpcUaTranslator:
        rules, places, keep_alive = self.made
        return OpcUaTranslator("hall", rules, places=places, keep_alive=keep_alive)

    def hear(
        self, message: Any, *, topic: str = TOPIC, after: int = 1, retained: bool = False
    ) -> list[Native] | None:
        self.now += after * SECOND
        payload = message if isinstance(message, bytes) else json.dumps(message).encode()
        said = self.translator.hear(topic, payload, at=self.now, retained=retained)
        return None if said is None else list(said)

    def restart(self) -> None:
        """As after a commit: what was remembered is all there is."""
        for key, data in self.translator.memory.take_changes().items():
            assert data is not None
            self.stored[key] = data
        self.translator = self.make()
        self.translator.memory.restore(self.stored)


def words(natives: Sequence[Native] | None) -> Any:
    """What our own contract reads in them: kind, place, and the message without session, number and time."""
    if natives is None:
        return None
    said = []
    for native in natives:
        read_message(native.address, native.payload)
        body = json.loads(native.payload)
        for name in ("session", "seq", "at"):
            body.pop(name, None)
        said.append((native.address.kind, native.address.subject, body))
    return said


def count(*, subject: str = "line1/P1", **slots: int) -> tuple[str, str, dict[str, Any]]:
    return "count", subject, {"slots": {slot: {"placed": placed} for slot, placed in slots.items()}}


def data_set(payload: Mapping[str, Any] | None, sequence: int | None = None, **more: Any) -> dict[str, Any]:
    message: dict[str, Any] = {"DataSetWriterId": 101}
    message |= {} if sequence is None else {"SequenceNumber": sequence}
    message |= {} if payload is None else {"Payload": payload}
    return message | more


def network(*sets: Mapping[str, Any], name: str = "m", **more: Any) -> dict[str, Any]:
    return {
        "MessageId": name,
        "MessageType": "ua-data",
        "PublisherId": "line1-gw",
        "Messages": [*sets],
    } | more


# Shapes, encodings, ids: all say the same

SENT = "2026-03-02T06:00:00.500Z"


def encoded(value: int, encoding: str) -> Any:
    """A UInt64, which is a string in JSON (OPC 10000-6, 5.4.2.3)."""
    match encoding:
        case "raw":
            return str(value)
        case "value":
            return {"Value": str(value), "SourceTimestamp": SENT, "Status": {"Code": 0}}
        case _:
            return {"Type": 9, "Body": str(value)}


def shaped(shape: str, payload: dict[str, Any], sequence: int, writer: int | str) -> Any:
    header = {"DataSetWriterId": writer, "SequenceNumber": sequence, "Timestamp": SENT}
    whole = header | {"MessageType": "ua-keyframe", "Payload": payload}
    match shape:
        case "single object":
            return network(name=str(sequence), Messages=whole)
        case "bare array":
            return [whole | {"PublisherId": "line1-gw"}]
        case "bare payload":
            return payload
        case "delta frame":
            return network(whole | {"MessageType": "ua-deltaframe"}, name=str(sequence))
        case _:
            return network(whole, name=str(sequence))


@pytest.mark.parametrize("writer", [101, "101"])
@pytest.mark.parametrize("encoding", ["raw", "value", "variant"])
@pytest.mark.parametrize(
    "shape", ["full header", "single object", "bare array", "bare payload", "keep-alive", "delta frame"]
)
def test_every_shape_and_encoding_says_the_same(shape, encoding, writer):
    """Tables 184 and 185: the writer's id is a number in version 1.05 and text in 1.04."""
    gateway = Gateway(COUNTER, Rule(name="Lost", means="lost", fixed={"slot": "F07"}))
    first = {"Counter": encoded(18, encoding), "Lost": encoded(2, encoding)}
    said = gateway.hear(shaped(shape, first, 7, writer))
    assert words(said) == [("count", "line1/P1", {"slots": {"F07": {"placed": 0, "lost": 0}}})]
    if shape == "keep-alive":
        alive = {"DataSetWriterId": writer, "SequenceNumber": 8, "MessageType": "ua-keepalive"}
        assert words(gateway.hear(network(alive, name="alive"))) == []
    then = {"Counter": encoded(23, encoding)}
    said = gateway.hear(shaped(shape, then if shape == "delta frame" else first | then, 8, writer))
    assert words(said) == [("count", "line1/P1", {"slots": {"F07": {"placed": 5, "lost": 0}}})]
    assert gateway.translator.gaps == 0


def test_a_fixture_of_our_own_that_obeys_both_tables():
    """Composed by us after tables 184 and 185."""
    gateway = Gateway()
    message = {
        "MessageId": "32235546-05d9-4fd7-97df-ea3ff3408574",
        "MessageType": "ua-data",
        "PublisherId": "line1-gw",
        "Messages": [
            {
                "DataSetWriterId": 101,
                "SequenceNumber": 7,
                "MetaDataVersion": {"MajorVersion": 1, "MinorVersion": 0},
                "Timestamp": "2026-03-02T06:00:00Z",
                "MessageType": "ua-deltaframe",
                "Payload": {"Counter": {"Value": 18}},
            }
        ],
    }
    assert words(gateway.hear(message)) == [count(F07=0)]
    assert gateway.hear(message) is None


# Whose it is


def test_the_topic_says_what_the_headers_leave_out():
    """7.3.5.7: prefix, encoding, message type, publisher, writer group, writer."""
    gateway = Gateway(
        PLACED, places=Places(topics=("plant/+/json/data/#",), publisher="{line}-gw", writer="{station}")
    )
    said = gateway.hear({"F07": {"Placed": 3}}, topic="plant/2/json/data/line1-gw/fast/P1")
    assert words(said) == [count(F07=0)]


def test_a_topic_of_its_own_may_say_it():
    gateway = Gateway(places=Places(topics=("hall/{line}/{station}",)))
    assert gateway.translator.filters == ("hall/+/+",)
    assert words(gateway.hear({"Counter": 3}, topic="hall/L3/P2")) == [count(subject="L3/P2", F07=0)]


def test_the_name_of_a_writer_is_stronger_than_its_number():
    gateway = Gateway(places=PLACES._replace(writers={}))
    said = gateway.hear(
        network(data_set({"Counter": 3}, DataSetWriterName="P2")), topic="opcua/json/data/line1-gw/fast"
    )
    assert words(said) == [count(subject="line1/P2", F07=0)]


def test_a_publisher_that_does_not_fit_is_not_meant():
    gateway = Gateway()
    other = network(data_set({"Counter": 3})) | {"PublisherId": "office"}
    assert words(gateway.hear(other)) == []
    assert gateway.translator.memory.take_changes() == {}


def test_what_nothing_says_is_asked_for():
    gateway = Gateway(places=Places(writer="{station}", writers={"101": "P1"}))
    with pytest.raises(Misfit, match="nothing says which line"):
        gateway.hear(network(data_set({"Counter": 3})))
    gateway = Gateway(places=Places(writer="{station}", writers={"101": "P1"}, fixed={"line": "L9"}))
    assert words(gateway.hear(network(data_set({"Counter": 3})))) == [count(subject="L9/P1", F07=0)]


# Order


def test_a_repeat_changes_nothing_also_after_a_restart():
    gateway = Gateway()
    gateway.hear(network(data_set({"Counter": 18}, 7), name="a"))
    last = network(data_set({"Counter": 23}, 8), name="b")
    assert words(gateway.hear(last)) == [count(F07=5)]
    assert gateway.hear(last) is None
    gateway.restart()
    assert gateway.hear(last) is None
    assert words(gateway.hear(network(data_set({"Counter": 24}, 9), name="c"))) == [count(F07=6)]


def test_totals_heal_what_a_gap_lost_and_nothing_is_extrapolated():
    gateway = Gateway()
    gateway.hear(network(data_set({"Counter": 18}, 7)))
    assert words(gateway.hear(network(data_set({"Counter": 40}, 11, MessageType="ua-deltaframe")))) == [
        count(F07=22)
    ]
    assert gateway.translator.gaps == 1


def test_deltas_behind_a_gap_leave_a_hole_in_our_own_numbers():
    """So the rules take what is left for doubtful; totals that follow go on from there."""
    gateway = Gateway(Rule(name="Counter", means="placed", counts="delta", fixed={"slot": "F07"}))
    numbers = []
    for sequence, parts in ((7, 10), (8, 10), (11, 4), (12, 5)):
        said = gateway.hear(network(data_set({"Counter": parts}, sequence))) or []
        numbers += [
            (body["seq"], body.get("counts"), body["slots"]["F07"]["placed"])
            for body in map(json.loads, (n.payload for n in said))
        ]
    assert numbers == [(1, None, 0), (2, None, 10), (3, None, 20), (6, "delta", 4), (7, None, 29)]


def test_what_is_left_in_a_slot_is_doubtful_where_deltas_are_missing():
    """The rules take each of the two that never came to be like the one after them."""
    gateway = Gateway(Rule(name="Counter", means="placed", counts="delta", fixed={"slot": "F07"}))
    story = Story(line="line1")
    story.load("F07", 300)
    for sequence, parts in ((7, 10), (8, 10), (11, 4), (12, 5)):
        for address, payload in gateway.hear(network(data_set({"Counter": parts}, sequence))) or []:
            story.happen(address, read_message(address, payload), payload)
    assert (story.slot("F07").book, story.slot("F07").missing) == (300 - 10 - 10 - 4 - 5, 8)


def test_the_numbers_wrap():
    gateway = Gateway()
    gateway.hear(network(data_set({"Counter": 18}, 4294967295)))
    assert words(gateway.hear(network(data_set({"Counter": 19}, 0), name="b"))) == [count(F07=1)]
    assert gateway.translator.gaps == 0


def test_a_publisher_that_begins_anew_is_heard_and_its_counter_with_it():
    gateway = Gateway()
    gateway.hear(network(data_set({"Counter": 1800}, 700), name="a"))
    gateway.hear(network(data_set({"Counter": 1805}, 701), name="b"))
    assert words(gateway.hear(network(data_set({"Counter": 3}, 0), name="c"))) == [count(F07=8)]
    assert words(gateway.hear(network(data_set({"Counter": 4}, 1), name="d"))) == [count(F07=9)]


def test_a_clock_that_begins_in_1970_with_its_publisher_tells_no_order():
    gateway = Gateway()
    gateway.hear(network(data_set({"Counter": 1800}, 700, Timestamp=SENT), name="a"))
    anew = data_set({"Counter": 3}, 0, Timestamp="1970-01-01T00:00:09Z")
    assert words(gateway.hear(network(anew, name="b"))) == [count(F07=3)]


def test_after_two_keep_alive_times_without_an_expected_number_any_is_taken():
    """7.2.3; five minutes where the time isn't configured."""
    for keep_alive, wait in ((10, 21), (None, 301)):
        gateway = Gateway(keep_alive=keep_alive)
        gateway.hear(network(data_set({"Counter": 18}, 5000), name="a"))
        assert gateway.hear(network(data_set({"Counter": 19}, 3000), name="b")) is None
        said = gateway.hear(network(data_set({"Counter": 19}, 3001), name="c"), after=wait)
        assert words(said) == [count(F07=1)]


def test_writers_are_numbered_each_for_itself():
    gateway = Gateway(places=PLACES._replace(writers={"101": "P1", "102": "P2"}))
    both = network(data_set({"Counter": 18}, 7), data_set({"Counter": 5}, 900) | {"DataSetWriterId": 102})
    assert words(gateway.hear(both, topic="opcua/json/data/line1-gw/fast")) == [
        count(F07=0),
        count(subject="line1/P2", F07=0),
    ]
    other = network(data_set({"Counter": 6}, 901) | {"DataSetWriterId": 102}, name="b")
    assert words(gateway.hear(other, topic="opcua/json/data/line1-gw/fast")) == [
        count(subject="line1/P2", F07=1)
    ]


def test_two_data_sets_of_one_writer_in_a_message_both_count():
    gateway = Gateway()
    gateway.hear(network(data_set({"Counter": 18}, 7), name="a"))
    queued = network(data_set({"Counter": 20}, 8), data_set({"Counter": 25}, 9), name="b")
    assert words(gateway.hear(queued)) == [count(F07=2), count(F07=7)]
    assert gateway.hear(queued) is None


def test_where_one_data_set_does_not_fit_nothing_of_the_message_is_remembered():
    gateway = Gateway(places=PLACES._replace(writers={"101": "P1", "102": "P2"}))
    wrong = data_set({"Counter": "many"}, 1) | {"DataSetWriterId": 102}
    with pytest.raises(Misfit, match="Counter: 'many' is no number"):
        gateway.hear(network(data_set({"Counter": 18}, 7), wrong), topic="opcua/json/data/line1-gw/fast")
    assert gateway.translator.memory.take_changes() == {}


# Values


def test_absent_is_neither_zero_nor_unknown():
    gateway = Gateway(PLACED)
    gateway.hear(network(data_set({"F07": {"Placed": 18}, "F08": {"Placed": 40}}, 7)))
    changed = data_set({"F07": {"Placed": 20}}, 8, MessageType="ua-deltaframe")
    assert words(gateway.hear(network(changed))) == [count(F07=2)]
    assert words(gateway.hear(network(data_set({}, 9, MessageType="ua-deltaframe")))) == []


@pytest.mark.parametrize("bad", [{"Value": 0, "Status": 0x808C0000}, {"Status": {"Code": 0x80310000}}, None])
def test_a_bad_value_changes_nothing(bad):
    """OPC 10000-4, 7.39: not to be used. A counter doesn't fall, a supply isn't taken away."""
    gateway = Gateway(COUNTER, Rule(name="Part", means="part", fixed={"slot": "F07"}))
    first = gateway.hear(network(data_set({"Counter": 18, "Part": "R-10K"}, 7)))
    assert [kind for kind, *_ in words(first)] == ["supply", "count"]
    assert words(gateway.hear(network(data_set({"Counter": bad, "Part": bad}, 8)))) == []
    assert words(gateway.hear(network(data_set({"Counter": 19, "Part": "R-10K"}, 9)))) == [count(F07=1)]


def test_an_uncertain_value_counts():
    gateway = Gateway()
    gateway.hear(network(data_set({"Counter": {"Value": 18}}, 7)))
    uncertain = {"Counter": {"Value": 19, "Status": 0x40900000}}
    assert words(gateway.hear(network(data_set(uncertain, 8)))) == [count(F07=1)]


def test_an_event_says_values_like_any_other():
    gateway = Gateway(Rule(name="Recipe", means="recipe"), Rule(name="Usage/{slot}", means="usage"))
    event = data_set({"Recipe": "top", "Usage": {"F07": 18}}, 1, MessageType="ua-event")
    (said,) = words(gateway.hear(network(event)))
    assert said == ("recipe", "line1/P1", {"recipe": "top", "usage": {"F07": 18.0}})


def test_beyond_what_we_count_a_value_is_refused_and_never_rounded():
    """Two UInt64 above 2**53 that a double can't tell apart."""
    gateway = Gateway()
    for large in (2**53, 2**64 - 1):
        with pytest.raises(Misfit, match="isn't from 0 to 9007199254740991"):
            gateway.hear(network(data_set({"Counter": {"UaType": 9, "Value": str(large)}})))
    gateway.hear(network(data_set({"Counter": str(2**53 - 3)}, 7)))
    assert words(gateway.hear(network(data_set({"Counter": str(2**53 - 1)}, 8)))) == [count(F07=2)]


def test_a_lot_of_digits_keeps_its_zeros():
    gateway = Gateway(Rule(name="Lot", means="lot", fixed={"slot": "F07"}))
    (supply,) = words(gateway.hear(network(data_set({"Lot": "00042"}))))
    assert supply[2]["lot"] == "00042"


# The stack light of OPC 10000-200: an enumeration, not a mask

COLOURS = {"1": "red", "2": "green", "3": "blue", "4": "yellow", "7": "white", "0": ""}


@pytest.mark.parametrize(
    ("number", "lit"), [(0, None), (1, "red"), (2, "green"), (3, "blue"), (4, "yellow"), (7, "white")]
)
def test_the_colours_of_a_stack_light_are_an_enumeration(number, lit):
    """OPC 10000-200, 5.3.3: 3 is blue and not red with green, 4 is yellow and not blue."""
    gateway = Gateway(Rule(name="SignalColor", means="lamps", words=COLOURS))
    said = words(gateway.hear(network(data_set({"SignalColor": {"UaType": 6, "Value": number}}))))
    ever = ("red", "green", "blue", "yellow", "white")
    assert said == [("tower", "line1/P1", {"lamps": {each: "on" if each == lit else "off" for each in ever}})]


@pytest.mark.parametrize("number", [5, 6])
def test_a_colour_that_is_not_ours_changes_nothing(number):
    """OPC 10000-200, 5.3.3: 5 is purple, 6 is cyan; that says nothing of the green lamp."""
    gateway = Gateway(Rule(name="SignalColor", means="lamps", words=COLOURS))
    gateway.hear(network(data_set({"SignalColor": 2}, 7)))
    assert words(gateway.hear(network(data_set({"SignalColor": number}, 8)))) == []


def test_a_stack_light_may_write_its_colour_with_its_name():
    """OPC 10000-6, 5.4.4: name and value of an enumeration, whose built-in type is Int32."""
    gateway = Gateway(Rule(name="SignalColor", means="lamps", words=COLOURS))
    gateway.hear(metadata(("SignalColor", 6)), topic="opcua/json/metadata/line1-gw/fast/P1", retained=True)
    ((_, _, tower),) = words(gateway.hear(network(data_set({"SignalColor": "Yellow_4"}))))
    assert [name for name, state in tower["lamps"].items() if state == "on"] == ["yellow"]


def test_a_lamp_of_a_stack_light_may_say_that_it_blinks():
    """OPC 10000-200, 5.3.4: 0 continuous, 1 blinking; SignalOn, a field of its own, isn't joined with it."""
    modes = {"0": "on", "1": "flashing"}
    gateway = Gateway(Rule(name="Stack/{lamp}/SignalMode", means="lamp", words=modes))
    light = {"Red": {"SignalMode": 0}, "Yellow": {"SignalMode": {"UaType": 6, "Value": 1}}}
    said = gateway.hear(network(data_set({"Stack": light})))
    assert words(said) == [("tower", "line1/P1", {"lamps": {"red": "on", "yellow": "flashing"}})]


# Metadata


def metadata(*fields: tuple[str, int], major: int = 1) -> dict[str, Any]:
    return {
        "MessageId": "66D65CA4-92EE-4195-9867-E6E27794B692",
        "MessageType": "ua-metadata",
        "PublisherId": "line1-gw",
        "DataSetWriterId": 101,
        "DataSetWriterName": "P1",
        "MetaData": {
            "Name": "DataSet1",
            "Fields": [{"Name": name, "BuiltInType": kind, "ValueRank": -1} for name, kind in fields],
            "ConfigurationVersion": {"MajorVersion": major, "MinorVersion": 0},
        },
    }


def test_metadata_name_the_values_of_a_payload_and_are_remembered():
    """The data set of A.3.1."""
    gateway = Gateway(places=PLACES._replace(writers={}))
    described = metadata(("Active", 1), ("Temperature", 11), ("Counter", 7), ("AdditionalInfo", 12))
    topic = "opcua/json/metadata/line1-gw/fast/P1"
    assert words(gateway.hear(described, topic=topic, retained=True)) == []
    gateway.restart()
    group = "opcua/json/data/line1-gw/fast"
    unnamed = data_set(None, 7) | {"Payload": [True, 21.5, 18, "x"]}
    assert words(gateway.hear(network(unnamed), topic=group)) == [count(F07=0)], "also the writer's name"
    assert gateway.hear(described, topic=topic, retained=True) == []
    assert [key for key in gateway.translator.memory.take_changes() if key.startswith("writer/")] == []


def test_metadata_of_another_version_name_nothing():
    gateway = Gateway()
    gateway.hear(metadata(("Counter", 7)), topic="opcua/json/metadata/line1-gw/fast/P1")
    later = data_set(None, 7, MetaDataVersion={"MajorVersion": 2, "MinorVersion": 0}) | {"Payload": [18]}
    with pytest.raises(Misfit, match="1 values without names, where the metadata name 0"):
        gateway.hear(network(later))


# Whether a publisher is there


def status(state: int | str, **more: Any) -> dict[str, Any]:
    return {"MessageId": "s", "MessageType": "ua-status", "PublisherId": "line1-gw", "Status": state} | more


def link(state: str) -> tuple[str, str, dict[str, str]]:
    return "link", "line1/P1", {"state": state}


STATUS = "opcua/json/status/line1-gw"


def test_a_publisher_that_is_gone_takes_its_stations_with_it():
    """Table 191: the broker says Error when a publisher goes offline."""
    gateway = Gateway()
    assert words(gateway.hear(status(2, IsCyclic=False), topic=STATUS, retained=True)) == []
    gateway.hear(network(data_set({"Counter": 18}, 7), name="a"))
    assert words(gateway.hear(status(3), topic=STATUS)) == [link("offline")]
    assert words(gateway.hear(status(3), topic=STATUS)) == []
    assert words(gateway.hear(status("Operational_2"), topic=STATUS)) == [link("online")]


def test_who_publishes_is_there_whatever_was_said():
    gateway = Gateway()
    gateway.hear(network(data_set({"Counter": 18}, 7), name="a"))
    gateway.hear(status(3), topic=STATUS)
    said = gateway.hear(network(data_set({"Counter": 19}, 8), name="b"))
    assert words(said) == [link("online"), count(F07=1)]


def test_a_cyclic_status_that_stays_away_means_that_its_publisher_is_gone():
    """Table 191: its state is Error once NextReportTime is a reasonable time in the past."""
    gateway = Gateway()
    gateway.hear(network(data_set({"Counter": 18}, 7), name="a"))
    sent = gateway.now
    cyclic = {
        "IsCyclic": True,
        "Timestamp": to_rfc3339(sent),
        "NextReportTime": to_rfc3339(sent + 30 * SECOND),
    }
    gateway.hear(status(2, **cyclic), topic=STATUS)
    due = gateway.now + 60 * SECOND
    assert gateway.translator.next_moment() == due
    gateway.restart()
    assert words(gateway.translator.look(due - 1)) == []
    assert words(gateway.translator.look(due)) == [link("offline")]
    assert gateway.translator.next_moment() is None


def test_other_messages_of_a_publisher_say_nothing():
    gateway = Gateway()
    for kind in ("connection", "application", "endpoints"):
        message = {
            "MessageId": "c",
            "MessageType": f"ua-{kind}",
            "PublisherId": "line1-gw",
            "Timestamp": SENT,
        }
        assert words(gateway.hear(message, topic=f"opcua/json/{kind}/line1-gw", retained=True)) == []
    assert gateway.translator.memory.take_changes() == {}


# Anything


_fields = st.dictionaries(
    st.sampled_from(["Counter", "F07", "Part", "SignalColor"]),
    st.none() | st.booleans() | st.integers(-5, 2**65) | st.floats(allow_nan=False) | st.text(max_size=4),
    max_size=3,
)
_sets = st.fixed_dictionaries(
    {"Payload": _fields | st.lists(st.integers(), max_size=2)},
    optional={
        "DataSetWriterId": st.integers(0, 3) | st.text(max_size=3),
        "SequenceNumber": st.integers(0, 5) | st.sampled_from([2**31, 2**32 - 1]),
        "DataSetWriterName": st.text(max_size=3),
        "Timestamp": st.sampled_from([SENT, "2026-03-02T06:00:07Z", "0001-01-01T00:00:00Z", ""]),
        "MessageType": st.sampled_from(["ua-keyframe", "ua-deltaframe", "ua-keepalive", "ua-event"]),
    },
)
_messages = st.one_of(
    st.binary(max_size=60),
    st.lists(_sets, max_size=3),
    st.builds(
        lambda sets, name: network(*sets, name=name), st.lists(_sets, max_size=3), st.sampled_from("abc")
    ),
    st.sampled_from([status(2), status(3), metadata(("Counter", 9), ("Part", 12))]),
)


@given(st.lists(_messages, max_size=6))
def test_any_messages_give_natives_a_repeat_or_a_refusal_of_which_nothing_is_remembered(messages):
    rules = (
        COUNTER,
        Rule(name="Part", means="part", fixed={"slot": "F07"}),
        Rule(name="SignalColor", means="lamps", words=COLOURS),
    )
    gateway = Gateway(*rules, places=Places(writer="{station}", fixed={"line": "L1", "station": "P1"}))
    for message in messages:
        try:
            said = gateway.hear(message, topic="opcua/json/data/line1-gw")
        except Misfit:
            assert gateway.translator.memory.take_changes() == {}
            continue
        words(said)
        gateway.restart()
