"""What is said to somebody who comes new in the middle of a recording, in the plant's place."""

from __future__ import annotations

from datetime import datetime, timedelta

import msgspec

from service.domain import floor
from service.domain.events import JournalEntry
from service.domain.model import from_datetime
from service.domain.state import SlotState
from service.domain.world import World
from service.usecases.fold import begin, fold
from service.usecases.recording import Reader
from service.usecases.standin import RETAINED, Said, opening, said_by, shifted
from service.wire.journal import StartState
from service.wire.native import read_message, read_topic
from tests.support.taped import taped

FLOOR = frozenset({"count", "supply", "recipe", "order", "tower", "link"})


def hear(world: World, said: Said) -> None:
    address = read_topic(f"floor/{said.topic}".encode(), "floor")
    message = read_message(address, said.payload)
    floor.apply(world, message, line=address.line, station=address.station, at=said.at, retained=said.retain)


def halves() -> tuple[StartState, list[JournalEntry], list[JournalEntry]]:
    start, *entries = Reader().read(taped())
    assert isinstance(start, StartState)
    recorded = [each for each in entries if isinstance(each, JournalEntry)]
    middle = len(recorded) // 2
    return start, recorded[:middle], recorded[middle:]


def slots_of(world: World) -> dict[tuple[str, str, str], SlotState]:
    return {
        (station.line, station.station, slot.name): slot
        for station in world.stations.values()
        for slot in station.slots.values()
    }


def test_who_comes_in_the_middle_knows_recipes_orders_towers_and_what_is_left_and_counts_on_from_there():
    start, earlier, later = halves()
    world, newcomer = begin(start), begin(start)
    for entry in earlier:
        fold(world, entry)
    at = earlier[-1].at
    for said in opening(world, at):
        hear(newcomer, said)
    for line in world.lines.values():
        new = newcomer.lines[line.line]
        assert new.running == line.running
        assert {name for name, each in line.orders.items() if each.state == "queued"} <= set(new.orders)
    for place, station in world.stations.items():
        new_station = newcomer.stations[place]
        assert new_station.last_active == station.last_active
        assert (new_station.tower is None) == (station.tower is None)
        if station.tower is not None and new_station.tower is not None:
            assert new_station.tower.reading == station.tower.reading
    before = {place: slot.book for place, slot in slots_of(world).items()}
    told = {place: slot.book for place, slot in slots_of(newcomer).items()}
    assert {place: None if book is None else max(0, book) for place, book in before.items()} == told
    for entry in later:
        fold(world, entry)
        if (message := said_by(entry)) is not None:
            hear(newcomer, message)
    parted = [
        place
        for place, slot in slots_of(world).items()
        if slot.book != slots_of(newcomer)[place].book and not (before[place] or 0) < 0
    ]
    assert parted == []


def test_only_what_the_floor_says_is_said_on_its_own_topics_and_kept_where_gateways_have_it_kept():
    _, earlier, later = halves()
    for entry in (*earlier, *later):
        said = said_by(entry)
        assert (said is not None) == (entry.kind in FLOOR)
        if said is not None:
            address = read_topic(f"floor/{said.topic}".encode(), "floor")
            assert (address.kind, address.subject) == (entry.kind, entry.subject)
            assert said.payload == entry.data
            assert said.retain == (entry.kind in RETAINED)


def test_times_are_moved_so_that_a_message_is_as_old_as_it_was():
    heard = datetime.fromisoformat("2026-03-02T06:00:10.000+00:00")
    said = Said("L1/P1/count", b'{"at":"2026-03-02T07:00:00+01:00","seq":4,"big":1e400}', False, 0)
    said = Said(said.topic, said.payload, said.retain, from_datetime(heard))
    now = heard + timedelta(days=3, seconds=5)
    moved = msgspec.json.decode(shifted(said, from_datetime(now)), type=dict[str, msgspec.Raw])
    assert bytes(moved["at"]) == b'"2026-03-05T06:00:05.000Z"'
    assert bytes(moved["big"]) == b"1e400"
    assert shifted(Said("L1/P1/count", b"no JSON", False, 0), 5) == b"no JSON"
