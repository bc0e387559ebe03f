"""Sparkplug B payloads against bytes of two other encoders: one by hand from the specification (Eclipse
Sparkplug 3.0.0, 6.4), and ``sparkplug-payload`` 1.0.3 from npm, whose bytes stand below as it wrote them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.wire.native import Misfit
from service.wire.sparkplug_payload import (
    LONGEST_NAME,
    MOST_METRICS,
    Payload,
    Scalar,
    read_payload,
    scalar,
    write_rebirth,
)
from tests.support import sparkplug_edge as edge

AT = 1_772_431_200_000
# As npm's sparkplug-payload 1.0.3 wrote them: tests/foreign/sparkplug_encoder.js says what they are.
BY_NPM = bytes.fromhex(
    "08809e87e9ca33120b0a05626453657120085807121a0a144e6f646520436f6e74726f6c2f52656269727468200b70001225"
    "0a12466565646572732f4630372f506c61636564100318fb9d87e9ca33200758ffffffff0f120b0a0161200150fbffffff0f"
    "120b0a0162200250d4fdffff0f120b0a0163200350fbffffff0f12100a0164200458fbffffffffffffffff0112080a016520"
    "0550ff0112090a0166200650ffff03120e0a0167200858ffffffffffffff0f120a0a01682009650000003f120e0a0169200a"
    "6900000000000002c012070a016a200b700112110a016b200c7a0a52c3bc7374706c61747a120c0a016c200d58809e87e9ca"
    "3312080a016d200e7a0178122b0a016e200f7a2435663263366131652d356330662d346433632d396133622d306438653866"
    "36663761313012070a016f2003380112090a017020032801500412190a017120034a100a075175616c6974791205080318f4"
    "03500412190a017220034a100a075175616c6974791205080318c0015004120a0a01732011820102010212220a0174201392"
    "011a0a00120c0a06506c616365642004580c2206666565646572280012160a017520108a010e0801120163180c22050a0332"
    "01781800"
)
ALIAS_ALONE_BY_NPM = bytes.fromhex("08e8a587e9ca33120610032007580518ff01")


def said(payload: Payload) -> dict[str | None, Scalar]:
    return {each.name and each.name + each.path: scalar(each, each.kind) for each in payload.metrics}


def test_every_scalar_type_of_an_independent_encoder_is_read() -> None:
    read = read_payload(BY_NPM)
    assert (read.at, read.seq) == (AT * 1000, 0)
    assert said(read) == {
        "bdSeq": 7,
        "Node Control/Rebirth": False,
        "Feeders/F07/Placed": 4294967295,
        "a": -5,
        "b": -300,
        "c": -5,
        "d": -5,
        "e": 255,
        "f": 65535,
        "g": 2**53 - 1,
        "h": 0.5,
        "i": -2.25,
        "j": True,
        "k": "Rüstplatz",
        "l": AT,
        "m": "x",
        "n": "5f2c6a1e-5c0f-4d3c-9a3b-0d8e8f6f7a10",
        "o": None,
        "p": 4,
        "q": None,
        "r": 4,
        "s": None,
        "t/Placed": 12,
        "u": None,
    }
    by_name = {each.name: each for each in read.metrics}
    assert by_name["p"].historical
    assert not by_name["a"].historical
    assert (by_name["Feeders/F07/Placed"].alias, by_name["Feeders/F07/Placed"].at) == (3, (AT - 5) * 1000)


def test_data_may_carry_an_alias_alone() -> None:
    read = read_payload(ALIAS_ALONE_BY_NPM)
    (metric,) = read.metrics
    assert (read.seq, metric.name, metric.alias, scalar(metric, metric.kind)) == (255, None, 3, 5)


@pytest.mark.parametrize(
    ("kind", "value"),
    [
        (edge.INT8, -128),
        (edge.INT16, -32768),
        (edge.INT32, -(2**31)),
        (edge.INT64, -(2**63)),
        (edge.UINT32, 2**32 - 1),
        (edge.UINT64, 2**64 - 1),
    ],
)
def test_signed_numbers_are_twos_complement_in_unsigned_fields(kind: int, value: int) -> None:
    """6.4.16: what a data type's value is stored in. Int32 −5 arrives as 4294967291."""
    (read,) = read_payload(edge.payload(edge.metric("x", value, kind))).metrics
    assert scalar(read, read.kind) == value
    (minus_five,) = read_payload(edge.payload(edge.metric("x", -5, edge.INT32))).metrics
    assert (minus_five.raw, scalar(minus_five, edge.INT32)) == (4294967291, -5)


def test_a_short_signed_number_may_come_in_its_own_width_too() -> None:
    """Some encoders write an Int8 −5 as 251, as the value of eight bits; common practice, no source."""
    (read,) = read_payload(edge.payload(edge.metric("x", 251, edge.UINT8))).metrics
    assert scalar(read, edge.INT8) == -5


def test_the_type_that_data_leaves_out_is_given_by_who_knows_the_birth() -> None:
    (read,) = read_payload(edge.payload(edge.metric("x", -5, edge.INT32, untyped=True))).metrics
    assert (read.kind, scalar(read, edge.INT32)) == (0, -5)


@pytest.mark.parametrize(("quality", "value"), [(edge.GOOD, 5), (edge.BAD, None), (edge.STALE, None)])
def test_what_is_not_of_good_quality_is_unknown(quality: int, value: int | None) -> None:
    """6.4.11: 0 is bad, 192 good, 500 stale."""
    (read,) = read_payload(edge.payload(edge.metric("x", 5, quality=quality))).metrics
    assert scalar(read, read.kind) == value


def test_null_and_what_is_no_number_are_unknown_and_never_zero() -> None:
    read = read_payload(
        edge.payload(edge.metric("x"), edge.metric("y", math.nan, edge.DOUBLE), edge.metric("z", 0))
    )
    assert said(read) == {"x": None, "y": None, "z": 0}


def test_the_definition_of_a_template_holds_no_values() -> None:
    member = edge.metric("Placed", 3, edge.INT64)
    read = read_payload(
        edge.payload(
            edge.metric("kind", edge.template(member, definition=True), edge.TEMPLATE),
            edge.metric("F07", edge.template(member), edge.TEMPLATE, alias=4),
        )
    )
    assert [(each.name, each.path, each.alias) for each in read.metrics] == [("F07", "/Placed", 4)]


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"\x0a", "isn't a Sparkplug B payload"),
        (edge.payload(seq=256), "`seq` is 256"),
        (edge.block(4, b"SPBV1.0_COMPRESSED"), "compressed"),
        (edge.payload(edge.block(1, b"\xff")), "isn't UTF-8"),
        (edge.payload(edge.metric("x" * (LONGEST_NAME + 1), 1)), "more than 400 characters"),
        (edge.payload(*[b""] * (MOST_METRICS + 1)), "more than 50000 metrics"),
    ],
)
def test_what_is_no_payload_is_refused_with_the_reason(data: bytes, reason: str) -> None:
    with pytest.raises(Misfit, match=reason):
        read_payload(data)


def test_what_lies_deep_in_templates_has_no_name_without_end() -> None:
    inner = edge.metric("x", 1)
    for _ in range(10):
        inner = edge.metric("t" * 50, edge.template(inner), edge.TEMPLATE)
    with pytest.raises(Misfit, match="more than 400 characters"):
        read_payload(edge.payload(edge.metric(None, edge.template(inner), edge.TEMPLATE, alias=1)))


def test_a_time_that_no_calendar_holds_is_unknown() -> None:
    assert read_payload(edge.payload(at=2**64 - 1)).at is None


def test_templates_in_templates_without_end_are_refused() -> None:
    inner = edge.metric("x", 1)
    for _ in range(200):
        inner = edge.metric("t", edge.template(inner), edge.TEMPLATE)
    with pytest.raises(Misfit):
        read_payload(edge.payload(inner))


def test_a_rebirth_request_has_a_time_the_one_metric_by_name_and_no_seq() -> None:
    command = edge.read_command(write_rebirth(AT * 1000))
    assert command.fields == {1: AT}
    assert command.metrics == [{1: edge.REBIRTH.encode(), 3: AT, 4: edge.BOOLEAN, 14: 1}]


@given(st.binary(max_size=200))
def test_any_bytes_give_a_payload_or_a_misfit(data: bytes) -> None:
    try:
        read = read_payload(data)
    except Misfit:
        return
    for each in read.metrics:
        assert isinstance(scalar(each, each.kind), bool | int | float | str | None)


@given(
    st.lists(
        st.tuples(
            st.text(max_size=20),
            st.integers(-(2**63), 2**63 - 1),
            st.none() | st.integers(0, 2**64 - 1),
            st.booleans(),
        ),
        max_size=5,
    ),
    st.none() | st.integers(0, 255),
)
def test_what_is_written_by_hand_is_read_as_it_was_meant(
    metrics: list[tuple[str, int, int | None, bool]], seq: int | None
) -> None:
    written = [
        edge.metric(name, value, edge.INT64, alias=alias, historical=historical)
        for name, value, alias, historical in metrics
    ]
    read = read_payload(edge.payload(*written, seq=seq))
    got = [(each.name, scalar(each, each.kind), each.alias, each.historical) for each in read.metrics]
    assert (got, read.seq) == ([*metrics], seq)
