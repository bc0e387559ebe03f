"""Messages of OPC UA PubSub in JSON: whatever headers are left out and however a field is written, they say
the same. Tables and clauses without another part's number are those of OPC 10000-14, version 1.05."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.model import from_rfc3339
from service.wire.native import Misfit
from service.wire.opcua_fields import Field, is_bad, read_fields
from service.wire.opcua_json import Data, DataSet, Description, Status, read

AT = from_rfc3339("2026-03-02T06:14:07.250Z")
SENT = from_rfc3339("2026-03-02T06:14:07.500Z")
ENCODED = json.loads((Path(__file__).parent / "opcua_encoded.json").read_bytes())
"""Made by an encoder that isn't ours, node-opcua-pubsub-dataset-processor 0.19.2, as
``tests/foreign/opcua_encoder.js`` says."""
TYPES = {
    "Active": 1,
    "Temperature": 11,
    "Pressure": 10,
    "Counter": 7,
    "AdditionalInfo": 12,
    "Total": 9,
    "Large": 9,
    "Balance": 8,
    "Since": 13,
}


def one(message: Any) -> DataSet:
    data = read(json.dumps(message).encode())
    assert isinstance(data, Data)
    (only,) = data.sets
    return only


def fields(message: Any, kinds: dict[str, int] | None = None) -> dict[str, Any]:
    data = one(message)
    assert data.payload is not None
    read = read_fields(data.payload, kinds or {}, at=data.at, status=data.status)
    return {field.name: field.content for field in read}


def refused(message: Any) -> str:
    with pytest.raises(Misfit) as misfit:
        fields(message)
    return str(misfit.value)


# Another's encoder


@pytest.mark.parametrize("encoding", ["raw", "value", "variant"])
def test_what_another_encoder_wrote_is_read_in_each_encoding(encoding):
    data = one(ENCODED[encoding])
    assert (data.writer, data.sequence, data.major, data.at) == ("101", 7, 1, SENT)
    assert fields(ENCODED[encoding], TYPES) == {
        "Active": True,
        "Temperature": None if encoding == "value" else 21.5,  # bad, which only this encoding tells
        "Pressure": 0.5,  # uncertain is good enough
        "Counter": 18,
        "AdditionalInfo": "00042",
        "Total": 18756,
        "Large": 2**53 + 1,
        "Balance": -5,
        "Since": "2026-03-02T06:00:00.000Z",
    }


@pytest.mark.parametrize(("encoding", "at"), [("value", AT), ("raw", SENT), ("variant", SENT)])
def test_a_value_has_the_time_of_its_source_and_else_that_of_its_message(encoding, at):
    data = one(ENCODED[encoding])
    assert {field.at for field in read_fields(data.payload or {}, at=data.at)} == {at}


def test_a_digit_string_without_a_type_stays_text():
    """It may be a lot; where a count is wanted, the rules make a number of it."""
    assert fields(ENCODED["raw"])["Total"] == "18756"
    assert fields(ENCODED["raw"])["AdditionalInfo"] == "00042"


# Shapes (7.2.5.3, 7.2.5.4)


def test_the_id_of_a_message_is_that_of_its_header():
    data = read(json.dumps(ENCODED["raw"]).encode())
    assert isinstance(data, Data)
    assert data.id == "32235546-05d9-4fd7-97df-ea3ff3408574"


def test_what_a_data_set_leaves_out_its_network_message_may_say():
    data = one(
        {
            "MessageId": "1",
            "MessageType": "ua-data",
            "PublisherId": "line1-gw",
            "WriterGroupName": "slow",
            "Messages": {"DataSetWriterId": 101, "DataSetWriterName": "P1", "Payload": {"Counter": 18}},
        }
    )
    assert (data.publisher, data.group, data.writer, data.name) == ("line1-gw", "slow", "101", "P1")


def test_a_data_set_alone_says_whose_it_is():
    data = one(
        {
            "PublisherId": "line1-gw",
            "WriterGroupName": "slow",
            "DataSetWriterId": 101,
            "Payload": {"Counter": 18},
        }
    )
    assert (data.publisher, data.group, data.writer, data.payload) == (
        "line1-gw",
        "slow",
        "101",
        {"Counter": 18},
    )


def test_payloads_without_any_header_of_their_own():
    """JSON-Minimal (A.3.2): neither header, one data set; and the array of them."""
    assert one({"Counter": 18}) == DataSet(payload={"Counter": 18})
    assert read(b'[{"Counter": 18}, {"Counter": 19}]') == Data(
        None, [DataSet(payload={"Counter": 18}), DataSet(payload={"Counter": 19})]
    )


def test_the_header_of_the_network_may_stand_over_bare_payloads():
    data = one(
        {"MessageId": "1", "MessageType": "ua-data", "PublisherId": "gw", "Messages": [{"Counter": 18}]}
    )
    assert (data.publisher, data.payload) == ("gw", {"Counter": 18})


@pytest.mark.parametrize("kind", [{}, {"MessageType": "ua-keepalive"}])
def test_a_message_without_a_payload_says_that_its_writer_lives(kind):
    """Version 1.04 had no MessageType in a data set."""
    data = one({"DataSetWriterId": 101, "SequenceNumber": 8, "Timestamp": "2026-03-02T06:14:07.5Z"} | kind)
    assert (data.payload, data.sequence, data.at) == (None, 8, SENT)


def test_other_messages_say_nothing_of_data():
    for kind in ("ua-application", "ua-endpoints", "ua-connection", "ua-action-request", "ua-something-new"):
        assert read(json.dumps({"MessageId": "1", "MessageType": kind, "PublisherId": "gw"}).encode()) is None


def test_a_field_may_be_called_like_a_header():
    assert fields({"Counter": 18, "Status": 3, "MessageType": "normal"}) == {
        "Counter": 18,
        "Status": 3,
        "MessageType": "normal",
    }


# Encodings of a field (OPC 10000-6, 5.4.2.17 and 5.4.2.18)


@pytest.mark.parametrize(
    "written",
    [
        {"Type": 9, "Body": "18756"},
        {"UaType": 9, "Value": "18756"},
        {"Value": {"Type": 9, "Body": "18756"}, "SourceTimestamp": "2026-03-02T06:14:07.250Z"},
        {
            "UaType": 9,
            "Value": "18756",
            "ServerTimestamp": "2026-03-02T06:14:07.250Z",
            "ServerPicoseconds": 10,
        },
    ],
)
def test_a_value_may_name_its_type_as_it_is_done_today_and_as_it_was(written):
    assert fields({"Total": written}) == {"Total": 18756}


def test_a_variant_as_it_is_found_in_the_field():
    """From code that is public: braces around the id, a number for the writer."""
    message = {
        "MessageId": "{7A0F6D8B-0C0D-4E51-9C3A-6E3E3C0C6A11}",
        "MessageType": "ua-data",
        "Messages": [
            {
                "DataSetWriterId": 1,
                "Payload": {"nCounter": {"Type": 4, "Body": 18}, "bToogle": {"Type": 1, "Body": False}},
            }
        ],
    }
    assert fields(message) == {"nCounter": 18, "bToogle": False}


def test_what_has_no_value_is_unknown():
    assert fields(
        {"A": {"Type": 7}, "B": {}, "C": None, "D": {"SourceTimestamp": "2026-03-02T06:14:07Z"}}
    ) == {
        "A": None,
        "B": None,
        "C": None,
        "D": None,
    }


@pytest.mark.parametrize(
    ("status", "bad"),
    [
        (0, False),
        (0x408F0000, False),
        (0x80000000, True),
        (0x808C0000, True),
        (-2138308608, True),
        ({"Code": 0x80050000, "Symbol": "BadCommunicationError"}, True),
        ({"Code": 0x40000000, "Symbol": "Uncertain"}, False),
        ({"Symbol": "BadOutOfService"}, True),
        ("Bad_NotConnected", True),
        ({}, False),
        (None, False),
    ],
)
def test_a_value_whose_status_is_bad_is_unknown(status, bad):
    """Codes: OPC 10000-4, 7.39, and OPC 10000-8, 6.3.1."""
    assert is_bad(status) is bad
    assert fields({"Counter": {"Value": 18, "Status": status}}) == {"Counter": None if bad else 18}


def test_a_status_of_the_message_is_that_of_all_its_values():
    assert fields(
        {"DataSetWriterId": 1, "Status": 0x80310000, "Payload": {"Counter": 18, "Active": True}}
    ) == {
        "Counter": None,
        "Active": None,
    }


def test_a_status_in_place_of_a_value_is_no_value():
    """5.3.2: a variant includes the value or its bad status."""
    message = {"A": {"Type": 19, "Body": 0x808C0000}, "B": {"UaType": 19, "Value": {"Code": 0x80310000}}}
    assert set(fields(message).values()) == {None}


def test_where_the_message_is_uncertain_nothing_may_stand_for_a_value_that_is_not_known():
    """Cautious, from memory: with RawData a bad field is a default value, and the message's status uncertain.
    A counter that is 0 for a moment would look as if it began again."""
    payload = {"A": 0, "B": "0", "C": False, "D": "", "E": 7, "F": {"Value": 0, "Status": 0}}
    uncertain = {"DataSetWriterId": 1, "Status": 0x40000000, "Payload": payload}
    assert fields(uncertain) == dict.fromkeys("ABCD") | {"E": 7, "F": 0}
    assert fields(uncertain | {"Status": 0}) == {name: payload[name] for name in "ABCDE"} | {"F": 0}


def test_an_enumeration_may_be_written_with_its_name():
    """OPC 10000-6, 5.4.4; the metadata say that it is an Int32."""
    kinds = {"Colour": 6, "Mode": 6, "Lamp": 12}
    said = fields({"Colour": "Yellow_4", "Mode": "1", "Lamp": "Yellow_4"}, kinds)
    assert said == {"Colour": 4, "Mode": 1, "Lamp": "Yellow_4"}


def test_members_of_structures_and_arrays_have_names_of_their_own():
    payload = {
        "Feeders": {"F07": {"Placed": {"UaType": 9, "Value": "12"}}, "F08": {"Placed": 4}},
        "Lost": {"UaType": 9, "Value": ["1", "2"]},
        "Recipe": {"Locale": "en", "Text": "top"},
    }
    assert fields(payload) == {
        "Feeders/F07/Placed": 12,
        "Feeders/F08/Placed": 4,
        "Lost/0": 1,
        "Lost/1": 2,
        "Recipe": "top",
    }


def test_no_number_is_unknown():
    """OPC 10000-6, 5.4.2.4: such floats are strings."""
    kinds = {"A": 11, "B": 10, "C": 11}
    assert fields({"A": "NaN", "B": "-Infinity", "C": 1.5}, kinds) == {"A": None, "B": None, "C": 1.5}


@pytest.mark.parametrize("digits", [2**53 + 1, 2**63 - 1, 2**64 - 1])
def test_64_bits_are_read_exactly(digits):
    assert fields({"A": {"Type": 9, "Body": str(digits)}, "B": digits}) == {"A": digits, "B": digits}


def test_a_payload_without_names_takes_them_from_the_metadata():
    data = DataSet(payload=[True, "5"])
    assert read_fields(data.payload or [], {"Active": 1, "Total": 9}) == [
        Field("Active", True, None),
        Field("Total", 5, None),
    ]
    with pytest.raises(Misfit, match="2 values without names, where the metadata name 0"):
        read_fields([True, "5"])


@pytest.mark.parametrize(
    ("said", "meant"),
    [
        ("2026-03-02T06:14:07.250Z", AT),
        ("2026-03-02T07:14:07.250+01:00", AT),
        ("2026-03-02T06:14:07.2500009Z", AT),  # steps of 100 ns, which is all that OPC UA has
        ("2026-03-02T06:14:07.250", AT),
        ("0001-01-01T00:00:00Z", None),
        ("9999-12-31T23:59:59Z", None),
    ],
)
def test_a_time_is_utc_and_the_ends_of_the_calendar_are_none(said, meant):
    """OPC 10000-6, 5.4.2.6."""
    assert one({"DataSetWriterId": 1, "Timestamp": said, "Payload": {}}).at == meant


# Metadata and status


def test_metadata_give_names_and_types():
    """The example of A.3.1, with its message id, publisher and data set."""
    types = {"Active": 1, "Temperature": 11, "Counter": 7, "AdditionalInfo": 12}
    described = [
        {"Name": name, "FieldFlags": 0, "BuiltInType": kind, "DataType": f"i={kind}", "ValueRank": -1}
        for name, kind in types.items()
    ]
    message = {
        "MessageId": "66D65CA4-92EE-4195-9867-E6E27794B692",
        "MessageType": "ua-metadata",
        "PublisherId": "MyPublisher",
        "DataSetWriterId": 101,
        "MetaData": {"Name": "DataSet1", "Fields": described},
    }
    assert read(json.dumps(message).encode()) == Description("MyPublisher", "101", None, None, types)
    payload = {"Active": True, "Temperature": 21.5, "Counter": 18, "AdditionalInfo": "7"}
    assert fields(payload, types) == payload


@pytest.mark.parametrize(
    ("state", "operational"),
    [(2, True), (0, False), (1, False), (3, False), (4, False), ("Operational_2", True), ("Error_3", False)],
)
def test_a_publisher_is_there_while_it_is_operational(state, operational):
    """Table 1: Disabled, Paused, Operational, Error, PreOperational; with a name, OPC 10000-6, 5.4.4."""
    message = {"MessageId": "1", "MessageType": "ua-status", "PublisherId": "gw", "Status": state}
    assert read(json.dumps(message).encode()) == Status("gw", operational, None)


def test_a_cyclic_status_says_when_it_comes_again():
    """Table 191."""
    message = {
        "MessageId": "1",
        "MessageType": "ua-status",
        "PublisherId": "gw",
        "IsCyclic": True,
        "Timestamp": "2026-03-02T06:14:00Z",
        "NextReportTime": "2026-03-02T06:15:30Z",
        "Status": 2,
    }
    assert read(json.dumps(message).encode()) == Status("gw", True, 90_000_000)


# What doesn't fit


@pytest.mark.parametrize(
    ("message", "reason"),
    [
        (5, "an object or an array of objects was expected"),
        ([5], "a data set must be an object, not 5"),
        ({"MessageType": "ua-data"}, "`Messages` must be an array or an object"),
        ({"MessageType": "ua-metadata", "PublisherId": "gw"}, "metadata need `MetaData` with `Fields`"),
        ({"MessageType": "ua-status", "Status": 2}, "`PublisherId` is missing"),
        (
            {"MessageType": "ua-status", "PublisherId": "gw", "Status": "on"},
            "from 0 to 4, such as 2, not 'on'",
        ),
        ({"MessageType": "ua-status", "PublisherId": "gw", "Status": 5}, "not 5"),
        ({"DataSetWriterId": 1, "SequenceNumber": -1}, "`SequenceNumber` must be a whole number from 0"),
        ({"DataSetWriterId": 1, "SequenceNumber": 2**32}, "not 4294967296"),
        ({"DataSetWriterId": 1, "SequenceNumber": True}, "not True"),
        ({"DataSetWriterId": ["1"]}, "`DataSetWriterId` must be text, not a large list"),
        ({"DataSetWriterId": "a\nb"}, "all printable"),
        (
            [{"DataSetWriterId": 1, "MessageType": "ua-frame", "Payload": {}}],
            "no such MessageType of a data set",
        ),
        ({"DataSetWriterId": 1, "Timestamp": "noon", "Payload": {}}, "`Timestamp` is no time: 'noon'"),
        ({"A": {"Value": 1, "SourceTimestamp": 5}}, "`SourceTimestamp` of field 'A' is no time: 5"),
        ({"A": {"Type": 9, "Body": "1.5"}}, "field 'A' must be a whole number, not '1.5'"),
        ({"A": 2**64}, "field 'A' is larger than any integer of OPC UA"),
    ],
)
def test_what_does_not_fit_is_refused_with_its_reason(message, reason):
    assert reason in refused(message)


def test_a_field_nested_too_deeply_is_refused():
    deep: Any = 1
    for _ in range(20):
        deep = {"A": deep}
    assert "nested too deeply" in refused(deep)


_scalars = st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=20)
_KEYS = """MessageType MessageId Messages PublisherId DataSetWriterId SequenceNumber MetaData Fields Name
Payload Timestamp Status Value Type Body UaType SourceTimestamp Code Symbol Text Locale MetaDataVersion"""
_keys = st.text(max_size=5) | st.sampled_from(_KEYS.split())
_words = st.sampled_from(["ua-data", "ua-metadata", "ua-status", "ua-keepalive", "ua-deltaframe", "NaN"])
_json = st.recursive(
    _scalars | _words,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(_keys, inner, max_size=6),
    max_leaves=25,
)


@given(st.binary(max_size=200) | _json.map(lambda value: json.dumps(value).encode()))
def test_any_bytes_are_a_message_or_are_refused(payload):
    try:
        message = read(payload)
        if isinstance(message, Data):
            for data in message.sets:
                read_fields(data.payload or {}, TYPES, at=data.at, status=data.status)
    except Misfit:
        pass
