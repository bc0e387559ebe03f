"""What a review takes for usual of a kind of supply."""

from __future__ import annotations

from service.domain.history import End
from service.domain.learning import LABEL
from service.domain.memory import Memory
from service.usecases.taught import known


def end(lost: int) -> End:
    return End(at=0, declared=5000, counted=5000, empty=True, lost=lost)


def test_a_kind_is_known_from_its_twentieth_finished_supply_on_and_a_part_beside_it() -> None:
    memory = Memory()
    for number in range(19):
        memory.note_end("tape", f"R-{number % 2}", LABEL, end(15))
    assert known(memory) == {}
    for _ in range(20):
        memory.note_end("tape", "C-9", LABEL, end(60))
    beliefs = known(memory)
    assert set(beliefs) == {("tape", None), ("tape", "C-9")}
    assert beliefs["tape", "C-9"].odds > beliefs["tape", None].odds > 15 / 5000
