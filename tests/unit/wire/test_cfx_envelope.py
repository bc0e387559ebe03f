"""IPC-2591 (CFX) envelopes: which messages are ours, whose they are, repeats, and the order of events.

The rules are those of the class text of ``CFXEnvelope`` in the standard's open SDK: ``TimeStamp`` is when the
event took place and not when it was sent, ``UniqueID`` keeps a message from being processed twice."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from contextlib import suppress
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.events import CountMessage, LinkMessage, SupplyMessage
from service.domain.model import SECOND, to_datetime
from service.domain.room import MOST_STATIONS
from service.wire import cfx_messages
from service.wire.cfx import CfxTranslator
from service.wire.cfx_stations import StationRule
from service.wire.gateway import Native
from service.wire.native import Misfit, read_message
from tests.support.cfx_machine import (
    CONSUMED,
    DEPARTED,
    LOADED,
    WORK,
    Machine,
    consumed,
    feeder,
    guid,
    location,
    package,
)
from tests.support.story import START

DONE = {"TransactionID": "0e5e7e30-33a8-4a6a-9c7e-2f20b6f0b001", "Result": "Completed"}


def test_a_message_that_comes_twice_counts_once_also_across_a_restart():
    machine = Machine()
    first = machine.message(WORK, DONE)
    assert machine.hear(first) is not None
    assert machine.hear(first) is None
    machine.restart()
    assert machine.hear(first) is None
    assert machine.panels() == 1


def test_the_nil_id_names_no_message():
    """RFC 9562, 5.9: the UUID whose bits are all zero; a sender's library has it where none was set."""
    machine = Machine()
    for _ in range(2):
        machine.hear(machine.message(WORK, DONE) | {"UniqueID": guid(0)})
    assert machine.panels() == 2


def test_of_a_list_only_the_new_ones_count_and_a_list_of_repeats_is_one():
    machine = Machine()
    one, two, three = (machine.message(WORK, DONE) for _ in range(3))
    machine.hear([one, two])
    assert machine.hear([two, one]) is None
    assert machine.hear([two, three]) is not None
    assert machine.panels() == 3


def test_a_list_is_taken_in_the_order_in_which_it_happened():
    machine = Machine()
    place = location("45", package("A", 500))
    load = machine.message(LOADED, {"Materials": [place]})
    first = machine.message(CONSUMED, {"ConsumedMaterials": [consumed(place, 5, 495)]})
    second = machine.message(CONSUMED, {"ConsumedMaterials": [consumed(place, 5, 490)]})
    machine.hear([second, first, load])
    assert (machine.totals("45"), machine.book("45")) == ((10, 0), 490)


def test_what_says_nothing_to_us_is_ignored():
    machine = Machine()
    for name in ("CFX.Heartbeat", "CFX.Production.RecipeActivated", "Other.WorkCompleted", ""):
        assert machine.hear(machine.message(name, {"RecipeName": "top"})) == []
    assert machine.hear(b"[]") == []


@pytest.mark.parametrize(
    ("name", "body", "envelope", "told"),
    [
        (WORK, {"Result": []}, {}, "WorkCompleted: Expected `int | str`, got `array` - at `$.Result`"),
        (WORK, None, {}, "WorkCompleted: Expected `object`, got `null`"),
        (WORK, DONE, {"TimeStamp": "2026-03-02T06:00:00"}, "timezone"),
        (WORK, DONE, {"TimeStamp": None}, "`TimeStamp` is missing"),
        (WORK, DONE, {"TimeStamp": "0001-01-01T00:00:00Z"}, "`TimeStamp` is before 1970"),
        (WORK, DONE, {"UniqueID": "no guid"}, "Invalid UUID"),
        (WORK, DONE, {"Source": "P1"}, "`Source` 'P1' names no line and station"),
        (WORK, DONE, {"Source": None}, "`Source` ''"),
        (WORK, DONE, {"Source": "a.b..c"}, "line ''"),
        (CONSUMED, {}, {}, "ConsumedMaterials"),
        (CONSUMED, {"ConsumedMaterials": [consumed(location("45"), -3, 5)]}, {}, "-3 parts"),
        (LOADED, {"Materials": [location("4" * 65)]}, {}, "location"),
    ],
)
def test_what_doesnt_fit_is_named_and_nothing_of_it_is_remembered(name, body, envelope, told):
    machine = Machine()
    good = machine.message(WORK, DONE)
    bad = machine.message(name, body) | envelope
    for payload in (bad, [good, bad]):
        with pytest.raises(Misfit) as refused:
            machine.hear(payload)
        assert told in str(refused.value)
    assert machine.translator.memory.take_changes() == {}
    assert machine.hear(good) is not None


def test_a_time_with_the_seven_digits_of_its_makers_is_read():
    """Seven digits of a second and an offset: the example of the class text of ``CFXEnvelope``."""
    machine = Machine()
    message = machine.message(WORK, DONE) | {"TimeStamp": "2026-03-02T08:00:25.3769532+02:00"}
    machine.hear(message)
    assert json.loads(machine.said[-1].payload)["at"] == "2026-03-02T06:00:25.376953Z"


def test_stations_are_named_by_rules_by_topics_and_else_by_the_last_parts_of_handles():
    rules = [
        StationRule(handle="acme.x100.{station}"),
        StationRule(handle="acme.x200.77", fixed={"line": "L9", "station": "Süd"}),
        StationRule(topic="cfx/{line}/{station}/raw"),
        StationRule(handle="acme.{line}", topic="cfx/+/{station}"),
    ]
    topics = ["cfx/{line}/#", "cfx2/{line}/{station}"]
    translator = CfxTranslator("hall", topics=topics, stations=rules)
    assert translator.filters == ("cfx/+/#", "cfx2/+/+")
    said = []
    for source, topic in (
        ("acme.x100.4711", "cfx/L8/any"),
        ("acme.x200.77", "cfx/L8/any"),
        ("acme.L7", "cfx/L8/P2"),
        ("acme.L7", "cfx/L8/P3/raw"),
        ("plant.hall 2.L3.P 1", "cfx/L4/any"),
        ("plant.hall 2.L3.P1", "cfx2/L5/P5"),
        ("plant.hall 2.L3.P1", "elsewhere"),
    ):
        message = Machine(source).message(WORK, DONE) | {"UniqueID": None}
        [*_, native] = translator.hear(topic, json.dumps(message).encode(), at=START) or ()
        said.append(native.address.subject)
    assert said == ["L8/4711", "L9/Süd", "L7/P2", "L8/P3", "L4/P-1", "L5/P5", "L3/P1"]


@pytest.mark.parametrize(
    ("rule", "told"),
    [
        (StationRule(handle="acme.{line}"), "'acme.{line}' doesn't say station"),
        (StationRule(handle="acme.{"), "a capture is {name}"),
        (StationRule(handle="acme", fixed={"line": "L 1", "station": "P1"}), "line 'L 1' must be"),
    ],
)
def test_a_rule_that_cant_name_a_station_is_refused(rule, told):
    with pytest.raises(ValueError, match=re.escape(told)):
        CfxTranslator("hall", topics=["cfx/#", "cfx2/{station}"], stations=[rule])


def test_panels_come_from_completed_work_or_from_departed_units():
    """Results of work by the class text of ``WorkResult``; that one which was aborted is no panel is our
    reading."""
    work, departed = Machine(), Machine(panels_from="departed")
    for machine in (work, departed):
        for result in ("Completed", "Failed", "Aborted", 0, "Skipped"):
            machine.say(WORK, DONE | {"Result": result})
        for lane in (1, 2):
            machine.say(DEPARTED, {"UnitCount": 2, "Units": [], "Lane": lane})
    assert (work.panels(), departed.panels()) == (4, 2)


def test_what_the_broker_kept_counts_nothing():
    machine = Machine()
    used = {"ConsumedMaterials": [consumed(location("45"), 5, None)]}
    for name, body in ((WORK, DONE), (CONSUMED, used)):
        assert machine.hear(machine.message(name, body), retained=True) == []


def test_a_clock_that_was_set_back_is_known_by_its_messages_within_minutes():
    """Ours alone: the standard says nothing of clocks that are wrong."""
    machine = Machine()

    def load(name: str, back: int) -> list[Any]:
        message = machine.message(LOADED, {"Materials": [location("45", package(name, 9))]})
        at = to_datetime(machine.at - back * SECOND).isoformat()
        said = machine.hear(message | {"TimeStamp": at}) or ()
        return [event.supply for _, event in said if isinstance(event, SupplyMessage)]

    assert load("A", 0) == ["A"]
    assert [load("B", 3600) for _ in range(13)] == [[]] * 12 + [["B"]]
    assert (load("C", 3600), load("late", 3630), load("D", 0), load("late", 30)) == (["C"], [], ["D"], [])


def test_what_comes_late_among_the_rest_sets_no_clock_back():
    machine = Machine()
    late = [machine.message(LOADED, {"Materials": [location("45", package(name, 9))]}) for name in "ABC"]
    machine.load(location("45", package("D", 9)))
    for _ in range(20):
        machine.say(WORK, DONE)
    assert machine.hear(late[0]) == []
    for message, hours in ((late[1], 1), (late[2], 200)):
        machine.at += hours * 3600 * SECOND
        assert machine.hear(message, retained=True) == []


def test_no_more_stations_are_remembered_than_a_plant_can_have():
    translator = CfxTranslator("hall", topics=["cfx/{line}/{station}"])
    message = json.dumps(Machine().message(WORK, DONE) | {"UniqueID": None}).encode()
    for number in range(MOST_STATIONS):
        translator.hear(f"cfx/L3/P{number}", message, at=START)
    with pytest.raises(Misfit, match="more than 5000 stations"):
        translator.hear("cfx/L3/one-more", message, at=START)
    assert translator.hear("cfx/L3/P1", message, at=START)


def test_a_machine_that_comes_and_goes_is_online_and_offline():
    machine = Machine()
    came = machine.say("CFX.EndpointConnected", {"CFXHandle": machine.source})
    went = machine.say("CFX.EndpointShuttingDown", {"CFXHandle": machine.source})
    assert [*came, *went] == [LinkMessage(state="online"), LinkMessage(state="offline")]


KNOWN = st.sampled_from(sorted(cfx_messages.BODIES))
LEAVES = st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=4)
WORDS = st.sampled_from(
    [
        "MaterialLocation",
        "LocationIdentifier",
        "MaterialPackage",
        "UniqueIdentifier",
        "QuantityUsed",
        "RemainingQuantity",
        "LeadingMaterialPackage",
        "Fault",
        "NewState",
        "Result",
    ]
)
LISTS = st.sampled_from(
    ["ConsumedMaterials", "InstalledMaterials", "Materials", "EmptyMaterials", "Carriers"]
)
ANY = st.recursive(
    LEAVES, lambda inner: st.lists(inner, max_size=2) | st.dictionaries(WORDS, inner, max_size=3)
)
BODIES = st.dictionaries(LISTS, st.lists(st.dictionaries(WORDS, ANY, max_size=4), max_size=3), max_size=2)


@given(name=KNOWN, body=BODIES | ANY, source=st.text(max_size=8) | st.just("a.L3.P1"))
def test_any_body_gives_messages_of_ours_or_a_refusal(name, body, source):
    machine = Machine(source)
    payload = json.dumps(machine.message(f"CFX.{name}", None) | {"MessageBody": body}).encode()
    said: Sequence[Native] | None = ()
    with suppress(Misfit):
        said = machine.translator.hear("cfx/x", payload, at=START)
    for native in said or ():
        read_message(native.address, native.payload)


@given(payload=st.binary(max_size=80))
def test_any_bytes_give_messages_or_a_refusal(payload):
    with suppress(Misfit):
        CfxTranslator("hall", topics=["cfx/#"]).hear("cfx/x", payload, at=START)


def test_the_lanes_of_a_feeder_are_slots_of_their_own():
    """Two lanes of one base in one location, as in the example of ``MaterialsLoaded`` in the class texts."""
    machine = Machine()
    lanes = [
        location("45", package(f"R{lane}", 151), feeder(f"F7{lane}", lane, base="F7")) for lane in (1, 2)
    ]
    machine.load(*lanes)
    said = machine.use(consumed(lanes[0], 4, 147), consumed(lanes[1], 6, 145))
    [*_, count] = [each for each in said if isinstance(each, CountMessage)]
    assert {name: slot.placed for name, slot in count.slots.items()} == {"45": 4, "45-2": 6}
    assert (machine.book("45"), machine.book("45-2")) == (147, 145)


def test_a_slot_is_called_by_its_identifier_or_its_name_in_characters_of_ours():
    for slots, name in (("identifier", "55-56"), ("name", "Slot-45")):
        machine = Machine(slots=slots)
        [said] = machine.load(location("55/56", package("A", 10)) | {"LocationName": "Slot 45"})
        assert said.slot == name
