"""A small plant without chance: every panel takes its takt, no part is lost, people take a fixed time for
everything. Tests change the one thing they are about."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from simulators.plan import (
    GatewayPlan,
    LinePlan,
    PartPlan,
    PeoplePlan,
    RecipePlan,
    SlotPlan,
    StationPlan,
)
from simulators.scenario import Scenario

TAKT = 20.0
PARTS = (
    PartPlan(part="RES", full=5000, loss=0.0),
    PartPlan(part="CAP", full=4000, loss=0.0),
    PartPlan(part="MCU", full=160, kind="tray", trays=2, loss=0.0),
)
PEOPLE = PeoplePlan(
    names=("Ada",),
    store=(12.0, 12.0),
    walk=1.2,
    notices=(30.0, 30.0),
    hears=(6.0, 6.0),
    looks=(10.0, 10.0),
    reads=(15.0, 15.0),
    ignores=0.0,
    searches=(20.0, 20.0),
    exchange=(25.0, 25.0),
    splices=0.0,
)
AISLE = 24.0 / 1.2
"""Seconds from a station at the origin to the store."""


def slot(name: str, part: str = "RES", first: int = 4000, low_at: int = 50) -> SlotPlan:
    return SlotPlan(slot=name, part=part, first=first, low_at=low_at)


def station(name: str, *slots: SlotPlan, **changes: Any) -> StationPlan:
    plan = StationPlan(station=name, slots=slots, takt=TAKT, takt_sigma=0.0, stop_chance=0.0)
    return replace(plan, **changes)


def line(name: str, *stations: StationPlan, usage: int = 10, **changes: Any) -> LinePlan:
    """A line whose one recipe takes ``usage`` parts a panel from every slot, in one endless order."""
    recipe = RecipePlan(
        recipe="A",
        boards_per_panel=2,
        usage={each.station: {s.slot: usage for s in each.slots} for each in stations},
    )
    plan = LinePlan(line=name, stations=stations, recipes=(recipe,), order_panels=(9999, 9999))
    return replace(plan, **changes)


def scenario(*lines: LinePlan, people: PeoplePlan = PEOPLE, **changes: Any) -> Scenario:
    plan = Scenario(
        name="small",
        plant="Tarnquay Works",
        hours=1.0,
        seed=1,
        parts=PARTS,
        lines=lines,
        people=people,
        gateways=GatewayPlan(),
    )
    return replace(plan, **changes)
