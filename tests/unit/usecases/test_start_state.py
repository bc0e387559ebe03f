"""What an export begins with is all that is remembered: whoever goes on from there decides the same to the
last digit."""

from __future__ import annotations

import msgspec
import pytest

from service.domain.events import JournalEntry, PersonAct
from service.domain.model import Instant
from service.domain.notices import Told
from service.domain.world import World
from service.usecases.export import start_state
from service.usecases.fold import begin, fold
from service.wire.journal import Exporter, StartState, read_line
from simulators.scenario import load_scenario, shipped
from tests.support.chancy import chancy
from tests.support.shifts import shift
from tests.support.written import eventful

EXPORTER = Exporter("plant")


def again(world: World, number: int, at: Instant) -> World:
    """As somebody else has it who reads the export."""
    start = read_line(EXPORTER.state(start_state(world, number, at)))
    assert isinstance(start, StartState)
    return begin(start)


def state_of(world: World) -> bytes:
    return msgspec.json.encode(start_state(world, 0, 0))


def go_on_from_each(entries: list[JournalEntry], cuts: set[int]) -> list[Told]:
    """All that was told; from each cut on a world that begins there hears and remembers the same."""
    world, told = World(), []
    others: dict[int, World] = {}
    for number, entry in enumerate(entries):
        if number in cuts:
            others[number] = again(world, number, entry.at - 1)
        said = fold(world, entry)
        told += said or []
        for cut, other in others.items():
            assert fold(other, entry) == said, f"from {cut} on, at {number}: {entry.kind} {entry.subject}"
    for cut, other in others.items():
        assert state_of(other) == state_of(world), f"from {cut} on"
    return told


def test_everything_that_can_happen_goes_on_from_any_entry():
    entries = eventful().entries
    told = go_on_from_each(entries, set(range(1, len(entries), 3)))
    kinds = {each.notice.kind for each in told}
    assert kinds >= {
        "supply",
        "question",
        "wrong part",
        "floor life",
        "outlet",
        "recipe",
        "refused",
        "silent",
    }
    assert {entry.kind for entry in entries} == {
        *("count", "supply", "recipe", "order", "tower", "link", "person", "check", "ready", "plan", "care"),
        *("time", "outlet", "gateway", "refusals", "elsewhere", "settings"),
    }


@pytest.mark.parametrize("seed", [3, 8])
def test_whatever_happened_before_it_goes_on(seed: int):
    entries = chancy(seed).entries
    go_on_from_each(entries, set(range(10, len(entries), 35)))


def test_a_shift_of_faulty_lines_goes_on_from_its_middle():
    """With lost, repeated and late messages, people, plans and ticks."""
    scenario = load_scenario(shipped()["two-lines-by-day"])
    lines = [read_line(line) for line in shift(scenario, hours=0.5, plans=True).lines]
    entries = [each for each in lines if isinstance(each, JournalEntry)]
    assert len(go_on_from_each(entries, {len(entries) // 3, len(entries) // 2})) > 3


def test_a_persons_act_on_a_notice_that_is_not_there_changes_nothing():
    world = World()
    data = msgspec.json.encode(PersonAct(notice="n-1", action="take", by="Ines"))
    before = state_of(world)
    assert fold(world, JournalEntry(1, "person", "L3/P1/F07", data)) is None
    assert state_of(world) == before
