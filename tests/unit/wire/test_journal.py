"""The journal as CloudEvents lines: nothing is lost on the way, and nothing else is read back."""

from __future__ import annotations

import contextlib
import json

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.events import JournalEntry, PersonAct, TimePassed
from service.domain.policy import Policy
from service.wire.journal import Exporter, StartState, read_entry, read_line
from service.wire.native import Address, Misfit
from tests.support.story import START, Story

EXPORT = Exporter("Ferrow plant/Linz")
KINDS = ["count", "supply", "recipe", "order", "tower", "link", "person", "plan", "time", "settings"]
_documents = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=9),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
)
_objects = st.dictionaries(st.text(max_size=5), _documents, max_size=4)
_entries = st.builds(
    JournalEntry,
    at=st.integers(0, 253_402_300_799_999_999),
    kind=st.sampled_from(KINDS),
    subject=st.text(st.characters(exclude_categories=["Cs"]), max_size=30),
    data=st.one_of(
        _objects.map(lambda body: json.dumps(body).encode()),
        _objects.map(lambda body: json.dumps(body, ensure_ascii=False, indent=3).encode()),
    ),
    retained=st.booleans(),
)


@given(_entries, st.integers(0, 2**53))
def test_any_entry_comes_back_as_it_was_white_space_aside(entry, number):
    line = EXPORT.entry(number, entry)
    back = read_line(line)
    assert isinstance(back, JournalEntry)
    assert (back.at, back.kind, back.subject, back.retained) == (
        entry.at,
        entry.kind,
        entry.subject,
        entry.retained,
    )
    assert json.loads(back.data) == json.loads(entry.data)
    assert EXPORT.entry(number, back) == line, "and a second time nothing changes at all"


@given(_entries)
def test_a_line_is_one_line_of_cloudevents_json(entry):
    """CloudEvents 1.0, JSON format: the required attributes are strings, the data is JSON itself."""
    line = EXPORT.entry(7, entry)
    assert line.count(b"\n") == 1
    assert line.endswith(b"\n")
    event = json.loads(line)
    assert event["specversion"] == "1.0"
    assert (event["id"], event["source"]) == ("7", "/earlybell/Ferrow%20plant%2FLinz")
    assert event["type"].startswith("earlybell.")
    assert event["time"].endswith("Z")
    assert event["data"] == json.loads(entry.data)


def test_a_message_goes_through_byte_for_byte_with_its_numbers_as_they_were_written():
    data = b'{"slots":{"F\\u00fc":{"placed":1}},"x":[1.50,1e2,-0,123456789012345678901234567890]}'
    back = read_line(EXPORT.entry(1, JournalEntry(START, "count", "L3/P1", data)))
    assert isinstance(back, JournalEntry)
    assert back.data == data


@given(
    st.one_of(
        st.binary(max_size=200),
        st.text(max_size=200).map(str.encode),
        _objects.map(lambda body: json.dumps(body).encode()),
    )
)
def test_any_line_gives_an_entry_or_a_misfit_and_nothing_else(line):
    with pytest.raises(Misfit):
        read_line(line)


@given(
    st.fixed_dictionaries(
        {},
        optional={
            "specversion": st.just("1.0"),
            "id": st.just("1"),
            "source": st.just("/earlybell/x"),
            "type": st.sampled_from(
                ["earlybell.floor.count", "earlybell.state", "earlybell.time", "other", ""]
            ),
            "time": st.sampled_from(["2026-03-02T06:00:00.000000Z", "2026-03-02T06:00:00", "soon", "", 7]),
            "data": st.sampled_from([{}, {"position": 1}, None, [], "x"]),
            "subject": st.sampled_from(["L3/P1", "", None, 5]),
            "retained": st.sampled_from([True, "yes"]),
        },
    )
)
@settings(max_examples=200)
def test_any_event_gives_an_entry_a_state_or_a_misfit_and_nothing_else(event):
    with contextlib.suppress(Misfit):
        back = read_line(json.dumps(event).encode())
        assert isinstance(back, JournalEntry | StartState)
        if isinstance(back, JournalEntry):
            read_entry(back)


@given(_entries)
def test_any_entry_gives_its_event_or_a_misfit_and_nothing_else(entry):
    with contextlib.suppress(Misfit):
        assert read_entry(entry)[0].kind == entry.kind


@pytest.mark.parametrize(
    ("kind", "subject", "data", "address"),
    [
        ("count", "L3/P1", b'{"panels":1}', Address("count", "L3", "P1")),
        ("supply", "L3/P1", b'{"slot":"T2","change":"loaded"}', Address("supply", "L3", "P1")),
        ("recipe", "L3/P1", b'{"recipe":"R1","usage":{}}', Address("recipe", "L3", "P1")),
        ("recipe", "L3/P1/R1", b'{"usage":{}}', Address("recipe", "L3", "P1", "R1")),
        ("order", "L3", b'{"order":"o1","state":"queued"}', Address("order", "L3", None)),
        ("order", "L3/o1", b'{"state":"queued"}', Address("order", "L3", None, "o1")),
        ("tower", "L3/P1", b'{"lamps":{}}', Address("tower", "L3", "P1")),
        ("link", "L3/P1", b'{"state":"online"}', Address("link", "L3", "P1")),
        (
            "person",
            "L3/P1/T2",
            b'{"notice":"n1","action":"take","by":"Ines"}',
            Address("person", "L3", "P1", "T2"),
        ),
        ("person", "L3", b'{"notice":"n1","action":"take","by":"Ines"}', Address("person", "L3", None)),
        ("person", "", b'{"notice":"n1","action":"take","by":"Ines"}', Address("person", "", None)),
        ("time", "", b"{}", Address("time", "", None)),
    ],
)
def test_every_kind_of_entry_has_its_address_and_the_address_its_subject(kind, subject, data, address):
    assert read_entry(JournalEntry(START, kind, subject, data))[0] == address
    assert address.subject == subject


def test_what_a_person_and_the_clock_did_is_read_back():
    act = PersonAct(notice="n1", action="quiet", by="Ines", panels=3)
    assert read_entry(JournalEntry(START, "person", "L3/P1/T2", msgspec.json.encode(act)))[1] == act
    assert read_entry(JournalEntry(START, "time", "", b"{}"))[1] == TimePassed()


@pytest.mark.parametrize(
    ("kind", "subject", "data"),
    [
        ("person", "L3/P1/T2", b'{"notice":"n1"}'),
        ("person", "L3/P1/T2", b"not JSON"),
        ("count", "L3", b'{"panels":1}'),
        ("count", "L3/P1/x", b'{"panels":1}'),
        ("count", "L3/P1", b"{}"),
        ("parade", "L3/P1", b"{}"),
    ],
)
def test_an_entry_that_is_none_of_ours_is_a_misfit(kind, subject, data):
    with pytest.raises(Misfit):
        read_entry(JournalEntry(START, kind, subject, data))


def test_the_state_it_starts_from_comes_back_whole():
    story = Story()
    story.recipe({"T2": 0.5, "F1": 10}, alternates=[["F1", "F2"]])
    story.first("T2", "F1")
    story.load("T2", 5, kind="tray", supply="tray-1")
    story.order("o1", "running", recipe="R1", panels=10)
    story.run(3, {"T2": 1, "F9": 7})
    story.count({"F1": 3}, session="s1", seq=90, counts="delta")
    story.out("T2")
    world = story.world
    state = StartState(
        position=17,
        at=story.now,
        policy=msgspec.Raw(msgspec.json.encode(Policy(timezone="Asia/Tokyo"))),
        lines=list(world.lines.values()),
        stations=list(world.stations.values()),
        supplies=list(world.supplies.values()),
    )
    back = read_line(EXPORT.state(state))
    assert isinstance(back, StartState)
    assert (back.lines, back.stations, back.supplies) == (state.lines, state.stations, state.supplies)
    assert (back.position, back.at) == (17, story.now)
    assert msgspec.json.decode(back.policy, type=Policy) == Policy(timezone="Asia/Tokyo")
