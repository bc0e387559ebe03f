"""A faulty, seeded shift of four fast lines as a recording: with everything in it that a journal may have."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec

from service.domain import floor
from service.domain.events import JournalEntry
from service.wire.journal import StartState
from simulators.events import Event
from simulators.plan import LinePlan
from simulators.scenario import Scenario, load_scenario
from tests.support.closed_loop import ClosedLoop
from tests.support.planned_loop import PlannedLoop
from tests.support.shifts import lines_of
from tests.support.story import START

SCENARIO = Path(__file__).parents[1] / "evaluation" / "four-lines-all-week.toml"
FASTER = 3.5
"""Than those of the scenario: a panel every 8 to 11 s, so that eight hours are more than 20,000 messages."""


def busy_shift(hours: float, *, seed: int = 7) -> list[bytes]:
    """Messages that come twice, late, in another order or never, gateways that restart, clocks that lie;
    people who take warnings and go by plans that are kept; reminders, which time brings; other settings from
    the middle on."""
    changed = False

    def watch(loop: ClosedLoop, line: str, event: Event) -> None:
        nonlocal changed
        if not changed and loop.plant.now >= hours * 1800:
            changed = True
            _other_settings(loop)

    loop = PlannedLoop(_busy(load_scenario(SCENARIO)), seed=seed, watch=watch)
    loop.journal = []
    start = StartState(position=0, at=START - 1, policy=msgspec.Raw(msgspec.json.encode(loop.world.policy)))
    loop.run(hours)
    assert changed
    return lines_of(loop.journal, start)


def _other_settings(loop: ClosedLoop) -> None:
    policy = loop.world.policy
    warn = msgspec.structs.replace(policy.warn, lead_panels=14, chance=0.2)
    policy = msgspec.structs.replace(policy, warn=warn)
    at = loop._moment()
    told = floor.change_policy(loop.world, policy, at)
    assert loop.journal is not None
    loop.journal.append(JournalEntry(at, "settings", "", msgspec.json.encode(policy)))
    loop._tell(told)


def _busy(scenario: Scenario) -> Scenario:
    service: dict[str, Any] = dict(scenario.service)
    service["route"] = [each | {"remind_minutes": 2} for each in service["route"]]
    return replace(
        scenario,
        lines=tuple(_faster(each) for each in scenario.lines),
        gateways=replace(scenario.gateways, skew=20.0),
        service=service,
    )


def _faster(line: LinePlan) -> LinePlan:
    assert line.printer is not None
    printer = replace(line.printer, cycle=line.printer.cycle / FASTER, wipe=(4.0, 7.0), paste=(30.0, 60.0))
    stations = (replace(each, takt=each.takt / FASTER, stop_seconds=(3.0, 30.0)) for each in line.stations)
    return replace(line, printer=printer, stations=tuple(stations))
