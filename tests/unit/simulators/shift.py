"""A shift on the made-up line for the tests: its events and its messages, with people who may be warned."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from typing import TypeVar

from simulators.events import Counted, Event, PanelMade, RecipeSet
from simulators.messages import Gateway, Message, rfc3339
from simulators.plant import Plant
from simulators.scenario import Scenario, load_scenario, shipped

HOUR = 3600.0
START = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
LEAD = 10
DEMO = load_scenario(shipped()["demo"])
E = TypeVar("E")


def work(seed: int, hours: float = 8.0, scenario: Scenario = DEMO) -> list[Event]:
    """A shift of one line whose people go by the towers alone."""
    if scenario is DEMO:
        return _work_demo(seed, hours)
    return [event for _, event in Plant(scenario, seed=seed, bell=False).advance(hours * HOUR)]


@cache
def _work_demo(seed: int, hours: float) -> list[Event]:
    return [event for _, event in Plant(DEMO, seed=seed, bell=False).advance(hours * HOUR)]


@cache
def work_with_bell(seed: int, hours: float = 8.0) -> list[Event]:
    return [event for _, event in ring(DEMO, seed, hours)]


@cache
def shift_of(name: str) -> list[tuple[str, Event]]:
    """The whole shift of a scenario that comes with the program, its people going by the towers alone."""
    scenario = load_scenario(shipped()[name])
    return Plant(scenario, bell=False).advance(scenario.hours * HOUR)


def ring(scenario: Scenario, seed: int | None, hours: float) -> list[tuple[str, Event]]:
    """A shift with a bell of the plainest kind: it rings when ten panels are left by the machine's count."""
    plant = Plant(scenario, seed=seed, bell=True)
    usage: dict[tuple[str, str], dict[str, int]] = {}
    said: list[tuple[str, Event]] = []
    while plant.next_at <= hours * HOUR:
        events = plant.advance(plant.next_at)
        for line, event in events:
            if isinstance(event, RecipeSet) and event.active:
                usage[line, event.station] = dict(event.usage)
            if isinstance(event, PanelMade):
                for slot, parts in usage[line, event.station].items():
                    if event.counted[slot] // parts == LEAD:
                        said += plant.tell(line, event.station, slot, "early")
        said += events
    return said


def every(kind: type[E], events: list[Event]) -> list[E]:
    return [event for event in events if isinstance(event, kind)]


def said(events: list[Event], run: str = "run 1") -> list[Message]:
    gateway = Gateway(DEMO.lines[0].line, run=run, stamp=stamp)
    return [message for event in events for message in gateway.encode(event)]


def stamp(seconds: float) -> str:
    return rfc3339(START + timedelta(seconds=seconds))


def slot_with(station: str, slot: str, **changes: object) -> Scenario:
    """The made-up line with one slot set up otherwise."""
    (line,) = DEMO.lines
    stations = tuple(
        replace(each, slots=tuple(replace(s, **changes) if s.slot == slot else s for s in each.slots))  # type: ignore[arg-type]
        if each.station == station
        else each
        for each in line.stations
    )
    return replace(DEMO, lines=(replace(line, stations=stations),))


def part_with(part: str, **changes: object) -> Scenario:
    """The made-up line with one part otherwise."""
    parts = tuple(replace(each, **changes) if each.part == part else each for each in DEMO.parts)  # type: ignore[arg-type]
    return replace(DEMO, parts=parts)


def taken(counts: list[Counted], slot: str) -> int:
    """Parts placed and lost by the last count that names the slot."""
    return next((sum(each.slots[slot]) for each in reversed(counts) if slot in each.slots), 0)
