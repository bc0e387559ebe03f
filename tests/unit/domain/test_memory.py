"""What was learned, as it is kept: laws follow from what is stored, whenever they are asked for."""

from __future__ import annotations

import random

from service.domain.history import End, law_key
from service.domain.learning import LABEL, PARTIAL
from service.domain.memory import MOST_DERIVED, Memory
from service.domain.state import StationState
from service.domain.world import World

PARTS = ("R-10K-0402", "R-22K-0402", None)


def copy_of(memory: Memory) -> Memory:
    other = Memory()
    for key in sorted(memory.keys()):
        other.read(key, memory.encoded(key))
    return other


def note(memory: Memory, chance: random.Random) -> None:
    declared = chance.choice([1000, 4000])
    end = End(at=0, declared=declared, counted=declared - chance.randint(-5, 40), empty=True, lost=3)
    memory.note_end("tape", chance.choice(PARTS), chance.choice([LABEL, LABEL, PARTIAL]), end)


def asked(memory: Memory) -> list[object]:
    laws = [memory.law("tape", part, basis, 4000) for part in PARTS for basis in (LABEL, PARTIAL)]
    return [*laws, *(memory.belief("tape", part) for part in PARTS)]


def test_it_does_not_matter_when_a_law_is_first_asked_for_nor_by_whom():
    chance = random.Random(4)
    memory, never_asked = Memory(), Memory()
    for number in range(260):
        seed = chance.random()
        note(memory, random.Random(seed))
        note(never_asked, random.Random(seed))
        said = asked(memory)
        if number % 7 == 0:
            assert asked(copy_of(never_asked)) == said
    assert asked(never_asked) == asked(memory)


def test_a_law_follows_the_ends_at_its_steps_and_not_those_between():
    chance = random.Random(4)
    memory = Memory()
    for _ in range(30):
        note(memory, chance)
    learned = memory.learned[law_key("tape")]
    steps = 0
    for _ in range(30):
        before, version = memory.law("tape", None, LABEL, 4000), learned.version
        note(memory, chance)
        steps += learned.version > version
        assert learned.version > version or memory.law("tape", None, LABEL, 4000) == before
    assert 0 < steps < 30


def test_a_law_of_what_was_put_back_is_derived_anew():
    """A commit failed: a version comes a second time, for other ends."""
    world = World()
    world.adopt(StationState("L3", "P1"))
    note(world.memory, random.Random(1))
    committed = {key: world.memory.encoded(key) for key in sorted(world.memory.keys())}
    world.touched.clear()
    note(world.memory, random.Random(2))
    asked(world.memory)
    world.restore(set(world.memory.keys()), committed)
    note(world.memory, random.Random(3))
    assert asked(world.memory) == asked(copy_of(world.memory))


def test_laws_of_more_quantities_than_are_kept_are_derived_anew():
    chance = random.Random(5)
    memory = Memory()
    for _ in range(60):
        note(memory, chance)
    quantities = range(100, 100 + MOST_DERIVED + 500)
    first = [memory.law("tape", PARTS[0], LABEL, each) for each in quantities]
    assert len(memory._laws) == MOST_DERIVED
    assert [memory.law("tape", PARTS[0], LABEL, each) for each in quantities[:20]] == first[:20]
