"""Whoever looks at all shards of a site sees one recording, and one state that it starts from."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import cache

import msgspec

from service.domain.events import JournalEntry
from service.domain.history import Outcome, Record, summed
from service.domain.policy import Policy
from service.domain.state import Stock, SupplyState
from service.domain.world import World
from service.usecases.export import start_state
from service.usecases.fold import fold
from service.usecases.joined import WORD, Item, joined, together
from service.usecases.together import Together
from service.wire.journal import StartState, read_line
from simulators.scenario import load_scenario, shipped
from tests.support.shifts import shift

LINES = ("A", "B")


@cache
def recorded() -> tuple[StartState, tuple[JournalEntry, ...]]:
    """Half an hour of two lines."""
    made = shift(load_scenario(shipped()["two-lines-by-day"]), seed=5, hours=0.5)
    start, *entries = (read_line(line) for line in made.lines)
    assert isinstance(start, StartState)
    return start, tuple(entry for entry in entries if isinstance(entry, JournalEntry))


def line_of(entry: JournalEntry) -> str:
    return entry.subject.partition("/")[0]


def parted(entries: Sequence[JournalEntry]) -> list[list[JournalEntry]]:
    """The entries of two shards: the first line that is heard of is the first one's, all else the other's."""
    first = next(line_of(entry) for entry in entries if entry.subject)
    parts = [[each for each in entries if line_of(each) == first]]
    return [*parts, [each for each in entries if line_of(each) != first]]


def journal(start: StartState, entries: Sequence[JournalEntry]) -> Iterator[Item]:
    yield start
    yield from enumerate(entries, start.position)


def read_together(*journals: Iterator[Item]) -> list[tuple[int, JournalEntry]]:
    start, *read = joined(journals)
    assert isinstance(start, StartState)
    return [each for each in read if isinstance(each, tuple)]


def world_after(policy: Policy, entries: Sequence[JournalEntry]) -> World:
    world = World(policy=policy)
    for entry in entries:
        fold(world, entry)
    return world


def settings(at: int) -> JournalEntry:
    return JournalEntry(at, "settings", "", msgspec.json.encode(Policy()))


def test_what_two_shards_recorded_is_in_the_order_in_which_it_happened() -> None:
    start, entries = recorded()
    parts = parted(entries)
    assert min(map(len, parts)) > 100
    read = read_together(*(journal(start, part) for part in parts))
    assert read == list(enumerate(entries))


def test_the_state_they_start_from_goes_on_as_one_world_does() -> None:
    start, entries = recorded()
    policy = msgspec.json.decode(start.policy, type=Policy)
    cut = len(entries) // 2
    whole = world_after(policy, entries[:cut])
    states = [
        start_state(world_after(policy, part), len(part), entries[cut].at - 1)
        for part in parted(entries[:cut])
    ]
    one = together(states)
    mine = start_state(whole, cut, entries[cut].at - 1)
    assert one.position == cut
    for name in ("lines", "stations", "supplies", "stays", "runs"):
        assert getattr(one, name) == getattr(mine, name), name


def test_what_a_shard_was_told_by_another_and_its_settings_are_left_out() -> None:
    start = StartState(position=0, at=0, policy=msgspec.Raw(b"{}"))
    first = [settings(10), JournalEntry(30, WORD, "b", b"{}")]
    second = [settings(20), JournalEntry(40, "time", "", b"{}")]
    read = read_together(journal(start, first), journal(start, second))
    assert [entry.at for _, entry in read] == [10, 40]


def test_two_moments_that_are_the_same_are_one_after_the_other() -> None:
    start, _ = recorded()
    at = start.at + 5
    alike = [JournalEntry(at, "time", "", b"{}"), JournalEntry(at + 1, "time", "", b"{}")]
    read = read_together(journal(start, alike), journal(start, alike))
    assert [entry.at for _, entry in read] == [at, at + 1, at + 2, at + 3]


def test_a_supply_is_as_the_shard_knows_it_in_which_it_is_loaded() -> None:
    empty = StartState(position=0, at=0, policy=msgspec.Raw(b"{}"))
    place = ("B", "P1", "F3")
    out, loaded = SupplyState("R-7", where=place, shard="b"), SupplyState("R-7", where=place, stock=Stock(80))
    one = together(
        [msgspec.structs.replace(empty, supplies=[out]), msgspec.structs.replace(empty, supplies=[loaded])]
    )
    assert one.supplies == [loaded]


def test_records_of_one_kind_add_up() -> None:
    def outcome(at: int) -> Outcome:
        return Outcome(at, "A", "P1", "F1", 10, 12, 0.0, 0.1, None, None, False)

    records = [
        Record("tape", [outcome(1), outcome(3)], judged=2, late=0.5, ended=1, covered=1),
        Record("tape", [outcome(2)], judged=1, late=0.25, apart=4),
        Record("tray", [], judged=7),
    ]
    tape, tray = summed(records)
    assert [each.at for each in tape.outcomes] == [1, 2, 3]
    assert (tape.judged, tape.late, tape.ended, tape.covered, tape.apart) == (3, 0.75, 1, 1, 4)
    assert tray.judged == 7


def test_what_several_know_is_shown_as_the_first_has_it() -> None:
    seen = Together([{"site": b"mine", "station/A/P1": b"1"}, {"site": b"theirs", "station/B/P1": b"2"}])
    assert dict(seen) == {"site": b"mine", "station/A/P1": b"1", "station/B/P1": b"2"}
    assert len(seen) == 3
    assert seen.get("station/C/P1") is None
