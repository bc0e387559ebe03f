"""Our own wire format: any bytes give a message or a misfit that says why, and nothing else."""

from __future__ import annotations

import json
import unicodedata
from typing import Any

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.events import (
    CountMessage,
    LinkMessage,
    OrderMessage,
    RecipeMessage,
    SlotCount,
    SupplyMessage,
    TowerMessage,
)
from service.wire.native import Address, Misfit, clean_name, read_message, read_topic

ADDRESSES = {
    "count": Address("count", "L3", "P1"),
    "supply": Address("supply", "L3", "P1"),
    "recipe": Address("recipe", "L3", "P1", "R1"),
    "order": Address("order", "L3", None, "o1"),
    "tower": Address("tower", "L3", "P1"),
    "link": Address("link", "L3", "P1"),
}
TYPES = {
    "count": CountMessage,
    "supply": SupplyMessage,
    "recipe": RecipeMessage,
    "order": OrderMessage,
    "tower": TowerMessage,
    "link": LinkMessage,
}
GOOD: dict[str, dict[str, Any]] = {
    "count": {
        "at": "2026-03-02T06:14:07.250Z",
        "session": "b3c1",
        "seq": 4182,
        "panels": 1042,
        "slots": {"F07": {"placed": 18756, "lost": 143}, "T2": {"placed": 1042}},
    },
    "supply": {
        "at": "2026-03-02T06:14:07.250Z",
        "id": "3f0c",
        "slot": "T2",
        "change": "loaded",
        "kind": "tray",
        "part": "MCU-48Q",
        "lot": "A77",
        "quantity": 160,
        "by": "badge 31",
    },
    "recipe": {
        "at": "2026-03-02T06:14:07.250Z",
        "recipe": "R1",
        "boards_per_panel": 4,
        "usage": {"F07": 18, "T2": 1},
        "parts": {"F07": "R-10K-0402"},
        "alternates": [["F07", "F08"]],
    },
    "order": {"at": "2026-03-02T06:14:07Z", "order": "o1", "recipe": "R1", "panels": 480, "state": "running"},
    "tower": {
        "at": "2026-03-02T06:14:07Z",
        "lamps": {"red": "off", "yellow": "flashing", "green": "on"},
        "buzzer": "off",
        "slots": ["T2"],
    },
    "link": {"at": "2026-03-02T06:14:07Z", "state": "online"},
}
KINDS = pytest.mark.parametrize("kind", list(ADDRESSES))


def read(kind: str, payload: bytes | dict[str, Any]) -> Any:
    return read_message(
        ADDRESSES[kind], payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    )


def refused(kind: str, payload: bytes | dict[str, Any]) -> str:
    with pytest.raises(Misfit) as misfit:
        read(kind, payload)
    return str(misfit.value)


# --- what fits ------------------------------------------------------------------------------------------


@KINDS
def test_the_examples_of_the_contract_fit(kind):
    assert isinstance(read(kind, GOOD[kind]), TYPES[kind])


def test_a_count_is_read_as_it_is_meant():
    message = read("count", GOOD["count"])
    assert message.slots == {"F07": SlotCount(18756, 143), "T2": SlotCount(1042, None)}
    assert (message.session, message.seq, message.panels) == ("b3c1", 4182, 1042)
    assert (message.counts, message.mode) == ("total", "production")


@KINDS
def test_unknown_keys_are_ignored(kind):
    assert read(kind, GOOD[kind] | {"colour": [1, {"deep": None}], "": 1e300}) == read(kind, GOOD[kind])


@KINDS
def test_absent_and_null_are_the_same_for_what_may_be_absent(kind):
    assert read(kind, GOOD[kind] | {"at": None}) == read(
        kind, {key: value for key, value in GOOD[kind].items() if key != "at"}
    )


def test_only_slots_that_changed_need_be_there():
    assert read("count", {"panels": 3}).slots == {}
    assert read("count", {"seq": 9, "slots": {}}).seq == 9
    assert "needs" in refused("count", {"at": "2026-03-02T06:14:07Z", "session": "a"})
    assert "needs" in refused("count", {})


def test_whole_numbers_go_up_to_two_to_the_53_minus_one():
    assert read("count", {"panels": 2**53 - 1}).panels == 2**53 - 1
    assert read("count", {"panels": 0}).panels == 0


@pytest.mark.parametrize("usage", [18, 0.5, 0, 2.25, 1e6])
def test_usage_may_be_a_fraction(usage):
    assert read("recipe", {"recipe": "R1", "usage": {"F1": usage}}).usage == {"F1": usage}


@pytest.mark.parametrize(
    "at", ["2026-03-02T06:14:07+01:00", "2026-03-02T06:14:07.123456Z", "2026-03-02t06:14:07z"]
)
def test_times_are_rfc_3339(at):
    assert read("link", {"state": "online", "at": at}).at is not None


# --- what doesn't fit -----------------------------------------------------------------------------------

GARBAGE = {
    "nothing": b"",
    "not JSON": b"hello",
    "cut off": b'{"panels": 1',
    "a list": b"[]",
    "a number": b"7",
    "null": b"null",
    "two documents": b'{"panels":1}{"panels":2}',
    "a trailing comma": b'{"panels":1,}',
    "single quotes": b"{'panels':1}",
    "a comment": b'{"panels":1}//',
    "NaN": b'{"panels":NaN}',
    "NaN where it is ignored": b'{"panels":1,"x":NaN}',
    "Infinity where it is ignored": b'{"panels":1,"x":-Infinity}',
    "1e999": b'{"panels":1e999}',
    "true as a number": b'{"panels":true}',
    "a number as text": b'{"panels":"1"}',
    "3.0": b'{"panels":3.0}',
    "3e0": b'{"panels":3e0}',
    "minus one": b'{"panels":-1}',
    "10^30": b'{"panels":1' + b"0" * 30 + b"}",
    "5000 digits": b'{"panels":1' + b"0" * 5000 + b"}",
    "2^53": b'{"panels":9007199254740992}',
    "a leading zero": b'{"panels":01}',
    "a key twice": b'{"panels":1,"panels":2}',
    "the sequence twice": b'{"seq":1,"seq":2}',
    "a slot twice": b'{"slots":{"F1":{"placed":1},"F1":{"placed":2}}}',
    "placed twice": b'{"slots":{"F1":{"placed":1,"placed":2}}}',
    "slots twice": b'{"slots":{"F1":{"placed":1}},"slots":{"F2":{"placed":2}}}',
    "a slot without placed": b'{"slots":{"F1":{}}}',
    "a slot that is a number": b'{"slots":{"F1":7}}',
    "slots as a list": b'{"slots":[{"placed":1}]}',
    "slots null": b'{"panels":1,"slots":null}',
    "an unknown mode": b'{"panels":1,"mode":"test"}',
    "an unknown way to count": b'{"panels":1,"counts":"absolute"}',
    "deep nesting": b'{"panels":1,"x":' + b"[" * 30_000 + b"]" * 30_000 + b"}",
    "deep nesting in what is kept": b'{"panels":1,"lane":' + b"[" * 30_000 + b"]" * 30_000 + b"}",
    "deep objects": b'{"panels":1,"x":' + b'{"a":' * 9_000 + b"1" + b"}" * 9_000 + b"}",
    "a byte order mark": b'\xef\xbb\xbf{"panels":1}',
    "UTF-16": '{"panels":1}'.encode("utf-16"),
    "invalid UTF-8": b'{"session":"\xff","panels":1}',
    "invalid UTF-8 where it is ignored": b'{"panels":1,"x":"\xff"}',
    "an invalid key that is ignored": b'{"panels":1,"\xc3(":1}',
    "overlong UTF-8": b'{"panels":1,"x":"\xc0\xaf"}',
    "a surrogate in UTF-8": b'{"panels":1,"x":"\xed\xa0\x80"}',
    "a lone high surrogate": b'{"panels":1,"session":"\\ud800"}',
    "a lone low surrogate": b'{"panels":1,"session":"\\udc00 and more text"}',
    "a lone surrogate in a slot": b'{"slots":{"\\ud800":{"placed":1}}}',
    "a lone surrogate where it is ignored": b'{"panels":1,"x":"\\udc00 and more text"}',
    "a raw control character": b'{"panels":1,"x":"a\x01b"}',
    "a session too long": b'{"panels":1,"session":"' + b"s" * 257 + b'"}',
    "a time without an offset": b'{"panels":1,"at":"2026-03-02T06:14:07"}',
    "a time that is a number": b'{"panels":1,"at":1740000000}',
    "a date": b'{"panels":1,"at":"2026-03-02"}',
    "the 30th of February": b'{"panels":1,"at":"2026-02-30T06:14:07Z"}',
    "an emoji as a slot": '{"slots":{"F\U0001f600":{"placed":1}}}'.encode(),
    "a slot without a name": b'{"slots":{"":{"placed":1}}}',
    "a slot with a slash": b'{"slots":{"a/b":{"placed":1}}}',
}


@pytest.mark.parametrize("payload", list(GARBAGE.values()), ids=list(GARBAGE))
def test_garbage_is_refused_with_a_reason(payload):
    assert len(refused("count", payload)) > 10


@pytest.mark.parametrize(
    ("kind", "wrong"),
    [
        ("supply", {"change": "eaten"}),
        ("supply", {"slot": None}),
        ("supply", {"slot": "a b"}),
        ("supply", {"quantity": 1.5}),
        ("supply", {"quantity": -1}),
        ("supply", {"quantity": 2**53}),
        ("supply", {"quantity": True}),
        ("supply", {"kind": "bag"}),
        ("supply", {"supply": ""}),
        ("supply", {"part": "p" * 257}),
        ("recipe", {"usage": None}),
        ("recipe", {"usage": {"F1": -1}}),
        ("recipe", {"usage": {"F1": "18"}}),
        ("recipe", {"usage": {"F1": True}}),
        ("recipe", {"usage": {"F1": 1e7}}),
        ("recipe", {"usage": {"F 1": 1}}),
        ("recipe", {"parts": {"F 1": "R"}}),
        ("recipe", {"alternates": [["F1", "F/2"]]}),
        ("recipe", {"recipe": "R2"}),
        ("recipe", {"recipe": ""}),
        ("order", {"state": "paused"}),
        ("order", {"panels": 4.5}),
        ("order", {"order": "o2"}),
        ("order", {"recipe": ""}),
        ("tower", {"lamps": {"pink": "on"}}),
        ("tower", {"lamps": {"red": "blinking"}}),
        ("tower", {"lamps": None}),
        ("tower", {"buzzer": True}),
        ("tower", {"slots": ["a b"]}),
        ("link", {"state": "gone"}),
        ("link", {"state": None}),
    ],
)
def test_what_does_not_fit_its_kind_is_refused(kind, wrong):
    assert refused(kind, GOOD[kind] | wrong)


@KINDS
def test_a_key_that_comes_twice_is_refused_in_every_kind(kind):
    """Readers differ in which of the two they take (RFC 8259, section 4)."""
    twice = json.dumps(GOOD[kind])[:-1] + ', "at": "2026-03-02T07:00:00Z", "at": "2026-03-02T08:00:00Z"}'
    if kind != "count":
        assert "comes twice" in refused(kind, twice.encode())
    assert "comes twice" in refused("count", b'{"slots":{"F1":{"placed":1},"F1":{"placed":2}}}')


def test_a_key_that_comes_twice_only_in_different_objects_is_fine():
    assert read("count", {"panels": 1, "x": {"panels": 2, "placed": 3}, "slots": {"seq": {"placed": 1}}})


def test_counted_needs_a_quantity():
    assert "quantity" in refused("supply", {"slot": "T2", "change": "counted"})
    assert read("supply", {"slot": "T2", "change": "counted", "quantity": 0}).quantity == 0


@KINDS
def test_a_payload_over_64_kib_is_refused_and_one_of_64_kib_is_not(kind):
    body = json.dumps(GOOD[kind]).encode()
    assert read(kind, body + b" " * (65_536 - len(body))) == read(kind, body)
    assert "65537 bytes" in refused(kind, body + b" " * (65_537 - len(body)))


def test_the_reason_says_where():
    assert "$.panels" in refused("count", {"panels": "1"})
    assert "byte 17" in refused("count", b'{"panels":1,"x":"\xff"}')


# --- any bytes ------------------------------------------------------------------------------------------


def _any_json(kind: str) -> st.SearchStrategy[bytes]:
    leaves = st.one_of(
        st.none(),
        st.booleans(),
        st.integers(),
        st.floats(),
        st.text(max_size=9),
        st.sampled_from(list(GOOD[kind].values())),
    )
    keys = st.one_of(st.sampled_from([*GOOD[kind], "supply", "lane", "mode", "counts"]), st.text(max_size=4))
    values = st.recursive(
        leaves, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(keys, inner, max_size=3)
    )
    bodies = st.dictionaries(keys, values, max_size=6)
    return st.one_of(bodies, bodies.map(lambda body: GOOD[kind] | body)).map(
        lambda body: json.dumps(body).encode()
    )


@st.composite
def damaged(draw, kind):
    """A good message with some bytes changed."""
    body = bytearray(json.dumps(GOOD[kind], ensure_ascii=False).encode())
    for _ in range(draw(st.integers(1, 6))):
        place = draw(st.integers(0, len(body) - 1))
        body[place : place + draw(st.integers(0, 3))] = draw(st.binary(max_size=3))
        if not body:
            break
    return bytes(body)


@KINDS
@given(data=st.data())
@settings(max_examples=80)
def test_any_bytes_give_a_message_or_a_misfit_and_nothing_else(kind, data):
    payload = data.draw(st.one_of(st.binary(max_size=80), _any_json(kind), damaged(kind)))
    try:
        message = read_message(ADDRESSES[kind], payload)
    except Misfit:
        return
    assert isinstance(message, TYPES[kind])
    assert msgspec.json.encode(message), "no text in it that can't be written again"


@given(st.binary(max_size=80))
def test_any_topic_gives_an_address_or_a_misfit_and_nothing_else(topic):
    for raw in (topic, b"floor/" + topic):
        try:
            address = read_topic(raw, "floor")
        except Misfit:
            continue
        assert address.kind in ADDRESSES


# --- names ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name",
    [
        "a",
        "F07",
        "T-2.left_3",
        "Füller",
        "供料器12",
        "Питатель7",
        "مغذي٣",
        "फ़ीडर",
        "x" * 64,
        "é" * 64,
        ".",
        "-",
    ],
)
def test_names_are_1_to_64_letters_of_any_script_digits_dot_underscore_dash(name):
    assert clean_name(name, "slot") == unicodedata.normalize("NFC", name)


@pytest.mark.parametrize(
    "name",
    [
        "",
        "x" * 65,
        "a b",
        "a/b",
        "a+b",
        "#",
        "a\x00",
        "a\n",
        "a\u200b",
        "\U0001f600",
        "½",
        "Ⅻ",
        "a:b",
        "\ufeffa",
        "\ue000",
    ],
)
def test_other_names_are_refused(name):
    with pytest.raises(Misfit, match=r"slot .* must be 1 to 64"):
        clean_name(name, "slot")


def test_names_are_nfc_and_case_is_kept():
    decomposed = "Fu\u0308ller"
    assert clean_name(decomposed, "slot") == "Füller"
    assert clean_name("a\u0301" * 64, "slot") == "á" * 64, "64 once composed"
    assert clean_name("f07", "slot") != clean_name("F07", "slot")
    message = read("count", {"slots": {decomposed: {"placed": 1}}})
    assert list(message.slots) == ["Füller"]
    assert read_topic(f"floor/{decomposed}/P1/count".encode(), "floor").line == "Füller"


def test_two_names_that_are_one_as_nfc_are_refused():
    both = {"Füller": 1, "Fu\u0308ller": 2}
    assert "same name" in refused("count", {"slots": {name: {"placed": each} for name, each in both.items()}})
    assert "same name" in refused("recipe", {"recipe": "R1", "usage": both})


@pytest.mark.parametrize("kind", ["supply", "recipe", "order", "tower"])
def test_every_name_in_a_message_is_nfc(kind):
    nfd = "u\u0308"
    messages: dict[str, dict[str, Any]] = {
        "supply": {"slot": nfd, "change": "loaded", "part": nfd, "lot": nfd, "supply": nfd},
        "recipe": {"usage": {nfd: 1}, "parts": {nfd: nfd}, "alternates": [[nfd, "b"]]},
        "order": {"state": "running", "recipe": nfd},
        "tower": {"lamps": {}, "slots": [nfd]},
    }
    message = str(read(kind, messages[kind]))
    assert nfd not in message
    assert "ü" in message


@given(st.text(max_size=70))
def test_any_text_is_a_name_or_a_misfit_and_a_clean_name_stays_as_it_is(text):
    try:
        name = clean_name(text, "slot")
    except Misfit:
        return
    assert clean_name(name, "slot") == name
    assert name.encode()


# --- topics ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("topic", "address"),
    [
        ("floor/L3/P1/count", Address("count", "L3", "P1")),
        ("floor/L3/P1/supply", Address("supply", "L3", "P1")),
        ("floor/L3/P1/recipe", Address("recipe", "L3", "P1")),
        ("floor/L3/P1/recipe/Board 12 (b)", Address("recipe", "L3", "P1", "Board 12 (b)")),
        ("floor/L3/order", Address("order", "L3", None)),
        ("floor/L3/order/WO 4711", Address("order", "L3", None, "WO 4711")),
        ("floor/L3/P1/tower", Address("tower", "L3", "P1")),
        ("floor/L3/P1/link", Address("link", "L3", "P1")),
    ],
)
def test_every_topic_of_the_contract_has_its_address(topic, address):
    assert read_topic(topic.encode(), "floor") == address


def test_the_root_may_have_several_levels():
    assert read_topic(b"plant/a/floor/L3/P1/count", "plant/a/floor") == Address("count", "L3", "P1")


@pytest.mark.parametrize(
    "topic",
    [
        "floor",
        "floor/L3",
        "floor/L3/P1",
        "floor/L3/P1/counts",
        "floor/L3/P1/count/F1",
        "floor/L3/P1/recipe/",
        "floor/L3/P1/recipe/a/b",
        "floor/L3/order/",
        "floor/L3/order/a/b",
        "floor//P1/count",
        "floor/L3//count",
        "floor/L 3/P1/count",
        "floor/L3/" + "x" * 65 + "/count",
        "floor/L3/order/" + "x" * 257,
        "floors/L3/P1/count",
        "L3/P1/count",
        "other/L3/P1/count",
    ],
)
def test_other_topics_are_refused(topic):
    with pytest.raises(Misfit):
        read_topic(topic.encode(), "floor")


def test_a_topic_that_is_not_utf_8_is_refused():
    with pytest.raises(Misfit, match="UTF-8"):
        read_topic(b"floor/L\xff/P1/count", "floor")


@pytest.mark.parametrize("kind", ["order", "recipe"])
def test_an_order_or_recipe_is_named_in_the_topic_or_the_payload(kind):
    bare = {key: value for key, value in GOOD[kind].items() if key != kind}
    in_topic, nowhere = ADDRESSES[kind], Address(kind, "L3", ADDRESSES[kind].station)
    assert getattr(read_message(in_topic, json.dumps(bare).encode()), kind) == in_topic.name
    assert getattr(read_message(nowhere, json.dumps(bare | {kind: "Z"}).encode()), kind) == "Z"
    with pytest.raises(Misfit, match="is missing"):
        read_message(nowhere, json.dumps(bare).encode())


@pytest.mark.parametrize("kind", ["order", "recipe"])
def test_topic_and_payload_agree_unless_a_topic_level_cannot_hold_the_name(kind):
    """The page is silent: an order called WO/12 is published on a topic level that spells it otherwise."""
    address = ADDRESSES[kind]
    assert "named once" in refused(kind, GOOD[kind] | {kind: "another"})
    assert getattr(read_message(address, json.dumps(GOOD[kind] | {kind: "WO/12"}).encode()), kind) == "WO/12"
