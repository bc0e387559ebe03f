"""The plants whose stops are put to the test: the shipped scenarios, and what is harder about others.

Harder plants were written down before anything was measured on them.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import msgspec

from service.domain.events import JournalEntry
from simulators.plan import LinePlan, RecipePlan
from simulators.scenario import Scenario, load_scenario, shipped
from tests.support.shifts import Alter, Shift, shift

WEEK = Path(__file__).with_name("four-lines-all-week.toml")


@dataclass(frozen=True, slots=True, kw_only=True)
class Plant:
    """``plans``: people go by the plan of their line; ``alter``: what the recording lacks."""

    about: str
    make: Callable[[], Scenario]
    plans: bool = False
    alter: Alter | None = None

    def shift(self, seed: int, hours: float) -> Shift:
        return shift(self.make(), seed=seed, hours=hours, plans=self.plans, alter=self.alter)


def _shipped(name: str) -> Callable[[], Scenario]:
    return lambda: load_scenario(shipped()[name])


def _week() -> Scenario:
    return load_scenario(WEEK)


def _three_in_a_row() -> Scenario:
    """A third machine after the second, a little faster, that places the same."""
    day = load_scenario(shipped()["two-lines-by-day"])
    return replace(day, lines=tuple(map(_longer, day.lines)))


def _longer(line: LinePlan) -> LinePlan:
    last = line.stations[-1]
    third = replace(
        last, station="P3", takt=last.takt * 0.98, position=(last.position[0] + 4, last.position[1])
    )
    return replace(
        line,
        stations=(*line.stations, third),
        recipes=tuple(_longer_recipe(each, last.station) for each in line.recipes),
    )


def _longer_recipe(recipe: RecipePlan, last: str) -> RecipePlan:
    def longer(of: Mapping[str, Any]) -> dict[str, Any]:
        return {**of, "P3": of[last]} if last in of else dict(of)

    return replace(
        recipe,
        usage=longer(recipe.usage),
        parts=longer(recipe.parts),
        alternates=longer(recipe.alternates),
    )


def _poorly_heard() -> Scenario:
    night = load_scenario(shipped()["three-lines-by-night"])
    return replace(night, gateways=replace(night.gateways, lose=0.1, tower_dropout=0.25))


def _nameless(entry: JournalEntry) -> JournalEntry:
    if entry.kind != "tower":
        return entry
    said = json.loads(entry.data)
    return msgspec.structs.replace(entry, data=json.dumps({**said, "slots": []}).encode())


def without_towers(entry: JournalEntry) -> JournalEntry | None:
    return None if entry.kind == "tower" else entry


PLANTS = {
    "day": Plant(about="two lines by day, everything is told", make=_shipped("two-lines-by-day")),
    "night": Plant(
        about="three lines by night: 5 % of counts and 10 % of towers lost, clocks that lie",
        make=_shipped("three-lines-by-night"),
    ),
    "lamps": Plant(about="two lines, counts and lamps only", make=_shipped("counts-and-lamps")),
    "demo": Plant(about="one line without a printer before it", make=_shipped("demo")),
    "week": Plant(about="four lines whose people go by a plan", make=_week, plans=True),
    "three": Plant(about="two lines of three machines", make=_three_in_a_row),
    "nameless": Plant(
        about="as by day, towers name no slots", make=_shipped("two-lines-by-day"), alter=_nameless
    ),
    "poor": Plant(about="as by night, 10 % of counts and 25 % of towers lost", make=_poorly_heard),
    "dark": Plant(
        about="as by day, no towers at all", make=_shipped("two-lines-by-day"), alter=without_towers
    ),
}
