"""The same four lines where the second machine takes its larger parts from trays, as lines do that place
connectors, coils and big chips: seven to nine places that can be exchanged between two panels only, not two.

What a load holds was written down from what is usual (trays of 40 to 250, two to four in a load) before
anything was measured.
"""

from __future__ import annotations

from dataclasses import replace

from simulators.plan import LinePlan, PartPlan, SlotPlan, StationPlan
from simulators.scenario import Scenario

LOADS = {
    "OPA-QUAD-SO14": (2, 500),
    "EEP-32K-SO8": (2, 500),
    "DRV-LS-SO8": (2, 500),
    "REG-12V-DDPAK": (4, 160),
    "IND-47U-6045": (4, 400),
    "XTAL-24M-3225": (2, 480),
    "CON-FPC-12": (4, 320),
}
"""Trays in a load, and the parts that they hold together."""


def on_trays(scenario: Scenario) -> Scenario:
    parts = {each.part: _on_trays(each) for each in scenario.parts}
    return replace(
        scenario,
        name=f"{scenario.name}-on-trays",
        parts=tuple(parts.values()),
        lines=tuple(_line(each, parts) for each in scenario.lines),
    )


def _on_trays(part: PartPlan) -> PartPlan:
    trays, full = LOADS.get(part.part, (0, 0))
    return replace(part, kind="tray", trays=trays, full=full, short=(0, 0)) if trays else part


def _line(line: LinePlan, parts: dict[str, PartPlan]) -> LinePlan:
    return replace(line, stations=tuple(_station(each, parts) for each in line.stations))


def _station(station: StationPlan, parts: dict[str, PartPlan]) -> StationPlan:
    return replace(station, slots=tuple(_slot(each, parts[each.part].full) for each in station.slots))


def _slot(slot: SlotPlan, full: int) -> SlotPlan:
    """What it begins with is a begun load like before, as much of it as fits."""
    return replace(slot, first=min(slot.first, full)) if slot.part in LOADS else slot
