"""What simulated gateways say in formats of others, against the rules of those formats."""

from __future__ import annotations

import json
from collections import defaultdict
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from service.wire.sparkplug_payload import read_payload
from simulators.dialects import SPEAKERS
from simulators.dialects.lamps import HALF, Lamps
from simulators.dialects.protobuf import number, text, varint
from simulators.events import Counted, Supplied, Tower
from simulators.messages import Message, Speaker
from tests.unit.simulators.shift import DEMO, stamp, work

EVENTS = work(4, 1.0)
REBIRTH = text(2, text(1, "Node Control/Rebirth") + number(4, 11) + number(14, 1))


def speaker(speak: str) -> Speaker:
    return SPEAKERS[speak](DEMO.lines[0].line, run="run 1", stamp=stamp, root="hall")


def spoken(speaking: Speaker) -> list[Message]:
    """Everything that is said in an hour, the first connection's words first."""
    speaking.will("P1")
    said = speaking.greet("P1", 0.0)
    for event in EVENTS:
        while (moment := speaking.next_moment()) is not None and moment <= event.at:
            said += speaking.tick(moment)
        said += speaking.encode(event)
    return said


def test_numbers_are_varints_as_the_encoding_gives_them():
    """150 is 96 01; -2 takes ten bytes (the examples of the Protocol Buffers encoding page)."""
    assert varint(150) == bytes.fromhex("9601")
    assert varint(-2) == bytes.fromhex("feffffffffffffffff01")
    assert text(2, "testing") == bytes.fromhex("120774657374696e67")


def test_a_sparkplug_node_is_born_before_it_speaks_and_numbers_all_it_says():
    """Sparkplug 3.0.0: tck-id-payloads-nbirth-seq, tck-id-payloads-sequence-num-incrementing,
    tck-id-topics-nbirth-bdseq-matching, tck-id-payloads-ndeath-will-message-qos."""
    node = speaker("sparkplug")
    will, said = node.will("P1"), [*node.greet("P1", 0.0)]
    for event in EVENTS:
        said += node.encode(event)

    assert [each.topic.split("/")[2] for each in said[:3]] == ["NBIRTH", "NDATA", "DBIRTH"]
    seqs = [read_payload(each.payload).seq for each in said]
    assert seqs == [position % 256 for position in range(len(said))]
    death = read_payload(will.payload)
    assert (will.qos, death.seq) == (1, None)
    assert all((each.qos, each.retain) == (0, False) for each in said)
    born = read_payload(said[0].payload)
    assert next(each for each in death.metrics) == next(each for each in born.metrics if each.name == "bdSeq")


def test_a_sparkplug_alias_is_one_metrics_and_data_says_no_other():
    """tck-id-payloads-alias-uniqueness, tck-id-payloads-alias-data-cmd-requirement."""
    aliases: dict[int | None, tuple[str, str | None]] = {}
    for message in spoken(speaker("sparkplug")):
        kind, of = message.topic.split("/")[2], message.topic
        for metric in read_payload(message.payload).metrics:
            if kind in ("NBIRTH", "DBIRTH") and metric.alias is not None:
                assert aliases.setdefault(metric.alias, (of, metric.name)) == (of, metric.name)
            elif kind in ("NDATA", "DDATA"):
                assert metric.name is None
                assert metric.alias in aliases


def test_a_sparkplug_node_that_is_told_to_is_born_again():
    node = speaker("sparkplug")
    spoken(node)

    said = node.obey("spBv1.0/hall/NCMD/L3", number(1, 1) + REBIRTH, 3600.0)

    assert [each.topic.split("/")[2] for each in said] == ["NBIRTH", "DBIRTH", "DBIRTH"]
    assert [read_payload(each.payload).seq for each in said] == [0, 1, 2]
    assert node.obey("spBv1.0/hall/NCMD/L3", number(1, 1), 3600.0) == []


def test_an_opc_ua_data_set_is_numbered_and_its_first_frame_has_all_fields():
    """OPC 10000-14, 7.2.5.4: SequenceNumber grows by one, a keep-alive tells the next; OPC 10000-6, 5.4.2.3:
    64-bit integers are strings."""
    sets: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for message in spoken(speaker("opcua")):
        body = json.loads(message.payload)
        for each in body.get("Messages", []):
            sets[each["DataSetWriterName"]].append(each)

    assert set(sets) == {"P1", "P2"}
    for frames in sets.values():
        assert frames[0]["MessageType"] == "ua-keyframe"
        every = set(frames[0]["Payload"])
        for before, after in pairwise(frames):
            alive = before["MessageType"] == "ua-keepalive"
            assert after["SequenceNumber"] == before["SequenceNumber"] + (not alive)
            assert ("Payload" in after) == (after["MessageType"] != "ua-keepalive")
            if after["MessageType"] == "ua-deltaframe":
                assert set(after["Payload"]) < every
            every |= set(after.get("Payload", {}))
        assert all(isinstance(value, str) for each in frames for value in each.get("Payload", {}).values())


def test_what_remains_by_cfx_is_what_was_less_what_was_used_and_spoiled():
    """IPC-2591: RemainingQuantity is after the event; each message has a UniqueID of its own."""
    bodies = [json.loads(each.payload) for each in spoken(speaker("cfx"))]
    left: dict[tuple[str, str], float] = {}
    places: dict[str, tuple[str, str]] = {}
    for body in bodies:
        said, source = body["MessageBody"], body["Source"]
        for loaded in said.get("Materials", []):
            place, package = (source, loaded["LocationIdentifier"]), loaded["MaterialPackage"]
            left[place], places[package["UniqueIdentifier"]] = package["Quantity"], place
        if (trailing := said.get("TrailingMaterialPackage")) is not None:
            place = places[said["LeadingMaterialPackage"]["UniqueIdentifier"]]
            places[trailing["UniqueIdentifier"]] = place
            left[place] += trailing["Quantity"]
        for each in said.get("ConsumedMaterials", []):
            place = source, each["MaterialLocation"]["LocationIdentifier"]
            left[place] -= each["QuantityUsed"] + each["QuantitySpoiled"]
            assert each["RemainingQuantity"] == left[place]

    assert len({body["UniqueID"] for body in bodies}) == len(bodies)
    panels = sum(body["MessageName"] == "CFX.Production.WorkCompleted" for body in bodies)
    made = {each.station: each.panels for each in EVENTS if isinstance(each, Counted)}
    assert panels == sum(made.values())


def test_a_flashing_lamp_is_seen_to_go_on_and_off_at_a_slow_rate():
    """IEC 60073: slow flashing is 0.4 to 0.8 Hz (from secondary sources)."""
    lamps = Lamps(HALF)
    shown = lamps.show("P1", Tower(yellow="flashing", green="on"), 0.0)
    turns = lamps.turn(60.0)

    assert shown == {"red": False, "yellow": True, "green": True, "buzzer": False}
    assert [lit["yellow"] for _, _, lit in turns[:3]] == [False, True, False]
    assert all(lit["green"] for _, _, lit in turns)
    assert 0.4 <= len(turns) / 2 / 60 <= 0.8


@pytest.mark.parametrize("speak", SPEAKERS)
def test_equal_shifts_give_equal_bytes_and_every_exchange_is_said(speak: str):
    assert spoken(speaker(speak)) == spoken(speaker(speak))
    exchanges = sum(isinstance(each, Supplied) for each in EVENTS)
    assert sum(each.kind in ("supply", "birth") for each in spoken(speaker(speak))) >= min(exchanges, 2)


def test_a_gateway_that_starts_anew_says_zeros_before_it_counts_on():
    speaking = speaker("sparkplug")
    spoken(speaking)
    last = next(each for each in reversed(EVENTS) if isinstance(each, Counted))

    said = speaking.encode(replace(last, panels=1, life="a second"))

    assert [each.topic.split("/")[2] for each in said] == ["DDEATH", "DBIRTH", "DDATA"]
    counters = [m for m in read_payload(said[1].payload).metrics if str(m.name).endswith(("Placed", "Lost"))]
    assert counters
    assert {each.raw for each in counters} == {0}
