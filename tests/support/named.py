"""Named values of one station, and what they say in our words."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

from service.domain.model import SECOND, Instant
from service.wire.gateway import Memory, Native
from service.wire.native import read_message
from service.wire.values import Gathered, Rule, Value, Values

T0: Instant = 1_772_432_047 * SECOND
HERE = {"line": "L3", "station": "P1"}
Body = dict[str, Any]


def rule(name: str, means: Any, **more: Any) -> Rule:
    return Rule(name=name, means=means, **more)


class Floor:
    """Values of one station, heard at seconds since ``T0``."""

    def __init__(self, *rules: Rule, memory: Memory[Gathered] | None = None) -> None:
        self.memory = memory or Memory(Gathered, Gathered)
        self.values = Values("hall", rules, self.memory)

    def hear(
        self,
        seconds: float,
        said: dict[str, Any] | None = None,
        *,
        ago: float | None = None,
        live: bool = True,
        retained: bool = False,
        **more: Any,
    ) -> list[Body]:
        """``ago``: the source's own time of them is so many seconds before."""
        at = T0 + round(seconds * SECOND)
        own = None if ago is None else at - round(ago * SECOND)
        values = [Value(name, content, own) for name, content in {**(said or {}), **more}.items()]
        return bodies(self.values.take(HERE, values, at=at, live=live, retained=retained))

    def look(self, seconds: float) -> list[Body]:
        """What time alone says."""
        return bodies(self.values.look(T0 + round(seconds * SECOND)))


def bodies(natives: Iterable[Native]) -> list[Body]:
    """What they say by their kinds, each proved to be of our contract; without what names a session of our
    own."""
    said = []
    for address, payload in natives:
        read_message(address, payload)
        assert address.line == "L3"
        assert address.station == (None if address.kind == "order" else "P1")
        body = json.loads(payload)
        if address.kind == "count":
            del body["session"], body["seq"]
        said.append({address.kind: body})
    return said


def placed(*said: Body) -> dict[str, int]:
    """The last that was said of each slot."""
    slots = [each["count"].get("slots", {}) for each in said if "count" in each]
    return {slot: counts["placed"] for one in slots for slot, counts in one.items()}
