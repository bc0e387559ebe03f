"""How long moisture-sensitive parts may lie open, and which parts are of which level."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from service.domain.moisture import LEVELS, FloorRules, LevelRule, read_level
from service.settings.checks import not_a_boolean, twice
from service.settings.kinds import Pattern, Section, Whole

_KNOWN = {rule.level: rule for rule in LEVELS}


def _level(said: object) -> str:
    level = read_level(said)
    if level is None:
        raise ValueError("is no moisture level")
    return level


Level = Annotated[str, BeforeValidator(_level), Field(description='a level such as "3", "2a" or "MSL3"')]
Hours = Annotated[
    float, BeforeValidator(not_a_boolean), Field(gt=0, le=100_000, description="hours from 0 to 100000")
]
Times = Annotated[
    float, BeforeValidator(not_a_boolean), Field(ge=1, le=1000, description="a number from 1 to 1000")
]
Humidity = Annotated[
    float, BeforeValidator(not_a_boolean), Field(ge=0, le=100, description="% RH from 0 to 100")
]


class FloorLevel(Section):
    """What is left out is as usual for the level."""

    level: Level
    hours: Annotated[
        Hours | Literal["unlimited", "label"] | None, Field(description='hours, "unlimited" or "label"')
    ] = None
    short_hours: Hours | None = None
    reset_times: Times | None = None
    reset_humidity: Humidity | None = None
    pause_humidity: Humidity | None = None
    pause_hours: Hours | None = None
    bake_first: Annotated[bool | None, Field(description="true or false")] = None

    @model_validator(mode="after")
    def _has_hours(self) -> FloorLevel:
        if self.hours is None and self.level not in _KNOWN:
            raise ValueError(f"level {self.level} has no usual floor life (set hours)")
        return self

    def rule(self) -> LevelRule:
        usual = _KNOWN.get(self.level)
        said = {key: value for key, value in self.model_dump().items() if value is not None}
        keys = {} if usual is None else {name: getattr(usual, name) for name in usual.__struct_fields__}
        return LevelRule(**(keys | said))


class FloorLife(Section):
    levels: Annotated[tuple[FloorLevel, ...], Field(alias="level")] = ()
    factor: Annotated[
        float, BeforeValidator(not_a_boolean), Field(gt=0, le=1, description="a share from 0 to 1")
    ] = 1.0
    cabinet_humidity: Humidity = 10.0
    lead_minutes: Annotated[Whole, Field(ge=1, le=10_080, description="minutes from 1 to 10080")] = 120

    @model_validator(mode="after")
    def _once_each(self) -> FloorLife:
        if doubles := twice([each.level for each in self.levels]):
            raise ValueError(f"level {doubles} is there twice")
        return self

    def rules(self) -> FloorRules:
        said = {each.level: each.rule() for each in self.levels}
        return FloorRules(
            levels=tuple((_KNOWN | said).values()),
            factor=self.factor,
            cabinet_humidity=self.cabinet_humidity,
            lead_minutes=float(self.lead_minutes),
        )


class PartLevel(Section):
    part: Pattern
    level: Level


class TrayDivision(Section):
    rows: Annotated[Whole, Field(ge=1, le=1000, description="a whole number from 1 to 1000")]
    columns: Annotated[Whole, Field(ge=1, le=1000, description="a whole number from 1 to 1000")]
    stack: Annotated[Whole, Field(ge=1, le=100, description="a whole number from 1 to 100")] = 1
