"""A shift on the made-up line for the tests: its events and its messages, with people who may be warned."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import TypeVar

from simulators.events import Counted, Event, PanelMade, RecipeSet
from simulators.line import Line
from simulators.messages import Gateway, Message, rfc3339
from simulators.plan import DEMO_LINE, LinePlan

HOUR = 3600.0
START = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
LEAD = 10
E = TypeVar("E")


def work(seed: int, hours: float = 8.0, plan: LinePlan = DEMO_LINE) -> list[Event]:
    """A shift whose people go by the towers alone."""
    return Line(plan, random.Random(seed)).advance(hours * HOUR)


def work_with_bell(seed: int, hours: float = 8.0) -> list[Event]:
    """The same with a bell of the plainest kind: it rings when ten panels are left by the machine's count."""
    line = Line(DEMO_LINE, random.Random(seed))
    usage: dict[str, dict[str, int]] = {}
    said: list[Event] = []
    while line.next_at <= hours * HOUR:
        events = line.advance(line.next_at)
        for event in events:
            if isinstance(event, RecipeSet) and event.active:
                usage[event.station] = dict(event.usage)
            if isinstance(event, PanelMade):
                for slot, parts in usage[event.station].items():
                    if event.counted[slot] // parts == LEAD:
                        said += line.tell(event.station, slot, "early")
        said += events
    return said


def every(kind: type[E], events: list[Event]) -> list[E]:
    return [event for event in events if isinstance(event, kind)]


def said(events: list[Event], run: str = "run 1") -> list[Message]:
    gateway = Gateway(DEMO_LINE.line, run=run, stamp=stamp)
    return [message for event in events for message in gateway.encode(event)]


def stamp(seconds: float) -> str:
    return rfc3339(START + timedelta(seconds=seconds))


def plan_with(station: str, slot: str, **changes: object) -> LinePlan:
    """The made-up line with one slot planned otherwise."""
    stations = tuple(
        replace(each, slots=tuple(replace(s, **changes) if s.slot == slot else s for s in each.slots))  # type: ignore[arg-type]
        if each.station == station
        else each
        for each in DEMO_LINE.stations
    )
    return replace(DEMO_LINE, stations=stations)


def taken(counts: list[Counted], slot: str) -> int:
    """Parts placed and lost by the last count that names the slot."""
    return next((sum(each.slots[slot]) for each in reversed(counts) if slot in each.slots), 0)
