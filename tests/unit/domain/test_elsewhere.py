"""What one shard tells another: ends teach both, and a named supply keeps what is left in it."""

from __future__ import annotations

import msgspec
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.events import JournalEntry
from service.domain.world import World
from service.usecases.export import start_state
from service.usecases.fold import fold
from tests.support.told_apart import LINES, SLOTS, Apart, lies, taught

PLACES = st.tuples(st.sampled_from(LINES), st.sampled_from(SLOTS))
STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("load"), PLACES, st.sampled_from(["R1", "R2"]), st.sampled_from([None, 500])),
        st.tuples(st.just("remove"), PLACES, st.none(), st.none()),
        st.tuples(st.just("count"), PLACES, st.none(), st.sampled_from([20, 240])),
        st.tuples(st.just("recount"), PLACES, st.none(), st.integers(0, 300)),
    ),
    max_size=14,
)


def test_what_is_left_in_a_supply_goes_with_it_to_a_line_of_another_shard() -> None:
    floor = Apart()
    floor.load("A", "1", "R1", 500)
    floor.count("A", **{"1": 120})
    floor.remove("A", "1")
    floor.tell()

    floor.load("B", "2", "R1")
    floor.count("B", **{"2": 30})
    floor.tell()

    assert floor.shards["B"].slot("2", station="P", line="B").book == 350
    known = floor.shards["A"].world.supplies["R1"]
    assert known.where == ("B", "P", "2")


def test_a_supply_that_is_loaded_elsewhere_leaves_its_slot_here_and_its_rest_follows() -> None:
    floor = Apart()
    floor.load("A", "1", "R1", 500)
    floor.count("A", **{"1": 120})
    floor.tell()

    floor.load("B", "2", "R1")
    floor.count("B", **{"2": 30})
    floor.tell()

    assert floor.shards["A"].slot("1", station="P", line="A").removed
    assert floor.shards["B"].slot("2", station="P", line="B").book == 350


def test_a_rest_that_is_heard_late_takes_the_place_of_an_older_one() -> None:
    floor = Apart()
    floor.load("A", "1", "R1", 500)
    floor.count("A", **{"1": 120})
    floor.remove("A", "1")
    floor.tell()
    floor.load("B", "2", "R1")
    floor.count("B", **{"2": 30})

    floor.load("A", "1", "R1")  # before A heard that it had gone
    floor.count("A", **{"1": 10})
    assert floor.shards["A"].slot("1", station="P", line="A").book == 370
    floor.tell()

    assert floor.shards["A"].slot("1", station="P", line="A").book == 340
    assert floor.shards["B"].slot("2", station="P", line="B").removed


def test_an_end_moves_the_law_of_the_other_shard_and_taken_back_it_moves_back() -> None:
    floor = Apart()
    before = taught(floor.shards["B"].world)
    floor.load("A", "1", "R1", 500)
    floor.count("A", **{"1": 530})
    floor.load("A", "1", "R2", 500)
    floor.tell()
    assert taught(floor.shards["B"].world) == taught(floor.shards["A"].world) != before

    floor.say(
        "A",
        "supply",
        {
            "slot": "1",
            "change": "undone",
            "undoes": floor.shards["A"].slot("1", station="P", line="A").loading,
        },
    )
    floor.tell()

    assert taught(floor.shards["B"].world) == taught(floor.shards["A"].world)
    assert not any(taught(floor.shards["B"].world).values())


def test_older_word_does_not_undo_newer() -> None:
    floor = Apart()
    floor.load("A", "1", "R1", 500)
    floor.remove("A", "1")
    floor.load("B", "2", "R1", 400)

    floor.tell_one("A", "B")

    assert floor.shards["B"].world.supplies["R1"].where == ("B", "P", "2")
    assert not floor.shards["B"].slot("2", station="P", line="B").removed


def test_a_place_of_another_shard_breaks_nothing_that_looks_for_it() -> None:
    floor = Apart()
    floor.load("A", "1", "R1", 500)
    floor.tell()
    there = floor.shards["B"]

    there.care("R1", "opened")
    there.supply("loaded", "2", station="P", line="B", supply="R1")
    there.supply("undone", "2", station="P", line="B", undoes=there.slot("2", station="P", line="B").loading)

    assert set(there.world.stations) == {("B", "P")}


@settings(max_examples=60, deadline=None)
@given(STEPS)
def test_two_shards_with_word_between_them_know_what_one_that_hears_all_knows(steps: list[tuple]) -> None:
    floor = Apart()
    for what, (line, slot), supply, number in steps:
        _step(floor, what, line, slot, supply, number)
        floor.tell()

    assert _merged(floor) == taught(floor.alone.world)
    for name, known in floor.alone.world.supplies.items():
        where, left = lies(floor.alone.world, known)
        for line, shard in floor.shards.items():
            told = lies(shard.world, shard.world.supplies[name])
            assert told[0] == where
            assert told[1] == left or (where is not None and where[0] != line)


@settings(max_examples=60, deadline=None)
@given(STEPS, st.lists(st.sampled_from([("A", "B"), ("B", "A"), None]), max_size=14))
def test_however_late_word_comes_both_know_the_same_in_the_end_and_a_replay_does(
    steps: list[tuple], late: list
) -> None:
    floor = Apart()
    for number, (what, (line, slot), supply, amount) in enumerate(steps):
        _step(floor, what, line, slot, supply, amount)
        if number < len(late) and late[number] is not None:
            floor.tell_one(*late[number])
    floor.tell()

    one, other = (shard.world for shard in floor.shards.values())
    assert taught(one) == taught(other)
    assert {name: known.where for name, known in one.supplies.items()} == {
        name: known.where for name, known in other.supplies.items()
    }
    for line, shard in floor.shards.items():
        for slot in shard.station("P", line=line).slots.values():
            if slot.supply is not None and not slot.removed:
                assert shard.world.supplies[slot.supply].where == (line, "P", slot.name)
        assert _state(_again(shard.entries)) == _state(shard.world)


def _again(entries: list[JournalEntry]) -> World:
    world = World()
    for entry in entries:
        fold(world, entry)
    return world


def _state(world: World) -> bytes:
    return msgspec.json.encode(start_state(world, 0, 0))


def _step(floor: Apart, what: str, line: str, slot: str, supply: str | None, number: int | None) -> None:
    if what == "load":
        floor.load(line, slot, supply or "", number)
    elif what == "remove":
        floor.remove(line, slot)
    elif what == "recount":
        floor.say(line, "supply", {"slot": slot, "change": "counted", "quantity": number})
    else:
        floor.count(line, **{slot: number or 0})


def _merged(floor: Apart) -> dict[str, list]:
    one, other = (taught(shard.world) for shard in floor.shards.values())
    assert one == other
    return one
