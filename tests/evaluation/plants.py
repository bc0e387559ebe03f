"""The plants whose stops are put to the test: the shipped scenarios, and what is harder about others."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from simulators.scenario import Scenario, load_scenario, shipped

WEEK = Path(__file__).with_name("four-lines-all-week.toml")


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """``plans``: people go by the plan of their line."""

    about: str
    make: Callable[[], Scenario]
    plans: bool = False


def _shipped(name: str) -> Scenario:
    return load_scenario(shipped()[name])


PLANTS = {
    "day": Kind(about="two lines by day", make=lambda: _shipped("two-lines-by-day")),
    "night": Kind(about="three lines by night", make=lambda: _shipped("three-lines-by-night")),
    "lamps": Kind(about="counts and lamps only", make=lambda: _shipped("counts-and-lamps")),
    "demo": Kind(about="demo", make=lambda: _shipped("demo")),
    "week": Kind(about="four lines", make=lambda: load_scenario(WEEK), plans=True),
}


def plant(name: str) -> Scenario:
    return PLANTS[name].make()
