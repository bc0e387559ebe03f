"""Supplies with a name, invented, as the rules keep them: some moist, some dry, one at its end."""

from __future__ import annotations

from dataclasses import dataclass, field

from service.domain import opened
from service.domain.model import SECOND, Instant
from service.domain.moisture import HOUR, Cared, Exposure, FloorRules, floor_life
from service.domain.policy import MoistureRule, Policy
from service.domain.state import Stock, SupplyState
from service.domain.world import World
from service.usecases.lives import life_object
from service.usecases.supplied import supply_objects
from service.wire.native import read_care

LEVELS = (MoistureRule(part="MCU-*", level="3"), MoistureRule(part="RF-*", level="5a"))
TRAY: dict[str, object] = {
    "rows": 8,
    "columns": 20,
    "stack": 3,
    "cells": 480,
    "tray": 3,
    "next": [7, 18],
    "by_cells": True,
    "empty_cavities": 2,
    "too_many": 0,
}
"""Two cells are left."""


def opened_since(now: Instant, hours: float, level: str = "3") -> dict[str, object] | None:
    """The floor life of what was opened so many hours ago."""
    exposure = Exposure([Cared(now - round(hours * HOUR), "opened")])
    return life_object(floor_life(exposure, level, FloorRules(), now), now)


def _known(now: Instant) -> list[SupplyState]:
    def supply(
        name: str, kind: str, part: str, left: int, *changes: tuple[float, str], **more: object
    ) -> SupplyState:
        cared = [Cared(now - round(ago * HOUR), change, by="Ines") for ago, change in changes]  # type: ignore[arg-type]
        exposure = Exposure(cared, **more) if cared or more else None  # type: ignore[arg-type]
        return SupplyState(name, kind, part, "A77", Stock(left), exposure=exposure)

    return [
        supply("TR-0412", "tray", "MCU-48Q", 95, (100, "opened")),
        supply("TR-0413", "tray", "MCU-48Q", 160, (9000, "sealed")),
        supply("TR-0398", "tray", "MCU-64Q", 38, (30, "opened"), (20, "dry")),
        supply("R-2207", "tape", "RF-SHIELD-22", 410, (25.5, "opened")),
        supply("R-2211", "tape", "RF-SHIELD-22", 900, (22.5, "loaded")),
        supply("TR-0500", "tray", "CAM-9", 20, (3, "opened"), level="6"),
        supply("R-1001", "tape", "R-10K-0402", 4200),
    ]


@dataclass(slots=True)
class Cupboard:
    """``now`` moves by a second with each thing that is done."""

    now: Instant
    world: World = field(default_factory=lambda: World(Policy(moisture=LEVELS)))

    def __post_init__(self) -> None:
        self.world.supplies = {each.name: each for each in _known(self.now)}

    def supplies(self, name: str | None = None) -> list[dict[str, object]]:
        shown = supply_objects(self.world, self.now)
        return [each for each in shown if name is None or each["supply"] == name]

    def care(self, supply: str, body: bytes) -> dict[str, object]:
        said = read_care(supply, body)
        self.now += SECOND
        opened.apply(self.world, said, self.now)
        return self.supplies(said.supply)[0]
