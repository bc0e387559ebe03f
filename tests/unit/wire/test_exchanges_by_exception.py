"""Exchanges told by a source that says only what changed (report by exception: Sparkplug 3.0.0 6.4.18; the
delta frames of OPC 10000-14): what it leaves out is what it was."""

from __future__ import annotations

import json
from typing import Any

from service.domain.model import SECOND
from service.wire.gateway import Memory, Native
from service.wire.rules import Rule, Value
from service.wire.values import Gathered, Values

START = 1_772_431_200 * SECOND
PLACE = {"line": "L3", "station": "P1"}
RULES = [
    Rule(name="{slot}/Placed", means="placed"),
    Rule(name="{slot}/Reel", means="supply"),
    Rule(name="{slot}/Part", means="part"),
    Rule(name="{slot}/Quantity", means="quantity"),
]


class Source:
    """One station's values; the time is seconds after its first word, by both clocks."""

    def __init__(self) -> None:
        self.values = Values("test", RULES, Memory(Gathered, Gathered))

    def says(self, second: float, **fields: object) -> list[tuple[str, dict[str, Any]]]:
        """``F1_Placed=3`` is the value of ``F1/Placed``."""
        at = START + round(second * SECOND)
        values = [Value(name.replace("_", "/"), content, at) for name, content in fields.items()]
        return read(self.values.take(PLACE, values, at=at))

    def waits_until(self, second: float) -> list[tuple[str, dict[str, Any]]]:
        return read(self.values.look(START + round(second * SECOND)))


def read(natives: list[Native]) -> list[tuple[str, dict[str, Any]]]:
    return [(each.address.kind, json.loads(each.payload)) for each in natives]


def begun() -> Source:
    source = Source()
    source.says(0, F1_Placed=0, F2_Placed=0, F1_Reel="R1", F1_Part="RES", F1_Quantity=5000)
    source.says(10, F1_Placed=100, F2_Placed=7)
    return source


def test_a_full_reel_after_a_full_one_has_the_quantity_that_is_not_said_again():
    source = begun()

    assert source.says(20, F1_Reel="R2") == []
    ((kind, supply),) = source.waits_until(23)

    assert kind == "supply"
    assert supply["at"] == "2026-03-02T06:00:20Z"
    assert (supply["supply"], supply["part"], supply["quantity"]) == ("R2", "RES", 5000)


def test_a_quantity_that_fell_with_the_counts_is_not_that_of_the_next_reel():
    source = begun()
    source.says(15, F1_Quantity=4900)

    source.says(20, F1_Reel="R2")
    ((_, supply),) = source.waits_until(23)

    assert "quantity" not in supply


def test_who_places_from_the_slot_again_has_exchanged_before():
    source = begun()
    source.says(20, F1_Reel="R2")

    said = source.says(21, F1_Placed=112)

    assert [kind for kind, _ in said] == ["supply", "count"]
    assert said[0][1]["supply"] == "R2"


def test_what_another_slot_counts_ends_the_wait_only_for_a_supply_told_with_its_quantity():
    source, other = begun(), begun()
    source.says(20, F1_Reel="R2", F1_Quantity=4000)
    other.says(20, F1_Reel="R2")

    assert [kind for kind, _ in source.says(21, F2_Placed=8)] == ["supply", "count"]
    assert [kind for kind, _ in other.says(21, F2_Placed=8)] == ["count"]
    assert [kind for kind, _ in other.says(21.2, F1_Quantity=4000, F1_Part="RES")] == ["supply"]


def test_what_was_counted_in_the_moment_of_an_exchange_is_of_the_supply_before():
    source = begun()
    source.says(20, F1_Placed=112)
    source.says(20, F1_Reel="R2")

    ((_, supply),) = source.waits_until(23)

    assert supply["at"] == "2026-03-02T06:00:20.000001Z"
