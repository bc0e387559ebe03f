"""Names are whatever a gateway sends: no more is remembered of them than a plant can have."""

from __future__ import annotations

import pytest

from service.domain.model import SECOND
from service.domain.room import MOST_SLOTS, MOST_STATIONS
from service.wire.gateway import Memory
from service.wire.mapped import MappedTranslator
from service.wire.mapped_rules import MessageRule
from service.wire.native import Misfit
from service.wire.values import Gathered, Rule, Value, Values

T0 = 1_772_432_047 * SECOND


def gathering() -> tuple[Memory[Gathered], Values]:
    memory = Memory(Gathered, Gathered)
    rules = [Rule(name="{slot}/placed", means="placed"), Rule(name="{slot}/part", means="part")]
    return memory, Values("hall", rules, memory)


def station(number: int) -> dict[str, str]:
    return {"line": "L3", "station": f"P{number}"}


def test_inventions_of_stations_come_to_an_end():
    memory, values = gathering()
    for number in range(MOST_STATIONS):
        values.take(station(number), [Value("F1/placed", 1)], at=T0)
    memory.take_changes()
    with pytest.raises(Misfit, match="5000 stations are known already"):
        values.take(station(MOST_STATIONS), [Value("F1/placed", 1)], at=T0)
    assert memory.take_changes() == {}
    assert values.take(station(7), [Value("F1/placed", 2)], at=T0 + SECOND), "who is known is still heard"


def test_inventions_of_slots_come_to_an_end():
    memory, values = gathering()
    most = [Value(f"F{number}/placed", 1) for number in range(MOST_SLOTS)]
    values.take(station(1), most, at=T0)
    values.take(station(1), [Value("F1/part", "R-10K")], at=T0)
    memory.take_changes()
    for each in ("X1/placed", "X1/part"):
        with pytest.raises(Misfit, match="L3/P1 would have more than 1000 slots"):
            values.take(station(1), [Value(each, 1)], at=T0)
    assert memory.take_changes() == {}
    with pytest.raises(Misfit, match="L3/P2 would have more than 1000 slots"):
        values.take(station(2), [*most, Value("X1/placed", 1), Value("X2/placed", 1)], at=T0)


def test_messages_of_any_json_are_no_way_around_it():
    rule = MessageRule(topic="{line}/{station}/x", gives="recipe", take={"recipe": "r", "usage": "u"})
    translator = MappedTranslator("mes", [rule], [], "UTC")
    for number in range(MOST_STATIONS):
        translator.hear(f"L3/P{number}/x", b'{"r": "top", "u": {"F1": 18}}', at=T0)
    with pytest.raises(Misfit, match="5000 stations are known already"):
        translator.hear("L3/new/x", b'{"r": "top", "u": {"F1": 18}}', at=T0)
