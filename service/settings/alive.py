"""How we say that we live: to a monitor that alarms when it hears nothing, and to people once a day."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from service.settings.checks import not_a_boolean, split_commas
from service.settings.kinds import File, HttpAddress, Names, Network, Section, WallTime

Often = Annotated[
    float,
    BeforeValidator(not_a_boolean),
    Field(ge=0.01, le=1440, description="minutes from 0.01 to 1440"),
]


class Heartbeat(Section):
    url: HttpAddress | None = None
    method: Annotated[Literal["GET", "POST"], Field(description='"GET" or "POST"')] = "GET"
    every_minutes: Often = 5.0
    ca_file: File | None = None
    allow: Annotated[tuple[Network, ...], BeforeValidator(split_commas)] = ()
    at: WallTime | None = None
    outlets: Annotated[Names | None, Field(description="the names of one or more outlets")] = None

    @model_validator(mode="after")
    def _is_whole(self) -> Heartbeat:
        if (self.at is None) != (self.outlets is None):
            raise ValueError("a daily message needs its time and its outlets (set heartbeat.at and .outlets)")
        beside = self.model_fields_set & {"method", "every_minutes", "ca_file", "allow"}
        if self.url is None and beside:
            raise ValueError(f"{', '.join(sorted(beside))}: there is no address to go to (set heartbeat.url)")
        return self
