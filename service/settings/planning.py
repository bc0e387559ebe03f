"""What a plan of stops reckons with: how long things take, and what they cost."""

from __future__ import annotations

from typing import Annotated

from pydantic import BeforeValidator, Field, model_validator

from service.settings.checks import not_a_boolean
from service.settings.kinds import Pattern, Section, Whole

Share = Annotated[
    float, BeforeValidator(not_a_boolean), Field(ge=0, le=1, description="a share from 0 to 1, such as 0.05")
]
Seconds = Annotated[
    float, BeforeValidator(not_a_boolean), Field(ge=1, le=3600, description="seconds from 1 to 3600")
]
Span = Annotated[
    float, BeforeValidator(not_a_boolean), Field(ge=0, le=1440, description="minutes from 0 to 1440")
]
Money = Annotated[
    float,
    BeforeValidator(not_a_boolean),
    Field(gt=0, le=1e9, description="an amount above 0, in whatever money"),
]


class PartCost(Section):
    part: Pattern
    each: Money


class Plan(Section):
    margin_panels: Annotated[
        Whole, Field(ge=0, le=1000, description="a whole number of panels from 0 to 1000")
    ] = 1
    waste_share: Share = 0.05
    people: Annotated[Whole, Field(ge=1, le=50, description="a number of people from 1 to 50")] = 1
    exchange_seconds: Seconds = 60.0
    splice_seconds: Seconds = 60.0
    fetch_minutes: Span = 0.0
    stop_minutes: Span = 2.0
    late_minutes: Span = 10.0
    minute_cost: Money | None = None
    change_pays: Share = 0.1
    parts: Annotated[tuple[PartCost, ...], Field(alias="part")] = ()

    @model_validator(mode="after")
    def _costs_fit(self) -> Plan:
        if self.parts and self.minute_cost is None:
            raise ValueError("parts have a cost but a minute of the line has none (set plan.minute_cost)")
        return self
