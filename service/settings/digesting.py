"""Which summaries people get without asking: at each change of shifts, and once a week."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from service.domain.policy import DAYS, Day
from service.settings.checks import one_or_many
from service.settings.kinds import Names, Pattern, Section, WallTime

SHIFT_CHANGE = "shift change"
WEEKLY = "weekly"


class Digest(Section):
    """``lines``: patterns of the lines that it is about, all of them together in one message."""

    outlets: Annotated[Names, BeforeValidator(one_or_many), Field(description="the names of outlets")]
    at: Annotated[Literal["shift change", "weekly"], Field(description='"shift change" or "weekly"')]
    lines: Annotated[
        tuple[Pattern, ...],
        BeforeValidator(one_or_many),
        Field(min_length=1, description='names or patterns of lines, such as "L*"'),
    ] = ("*",)
    day: Annotated[Day | None, Field(description=", ".join(DAYS))] = None
    time: WallTime | None = None

    @model_validator(mode="after")
    def _knows_when(self) -> Digest:
        if self.at == WEEKLY and self.time is None:
            raise ValueError('weekly at what time? (set time, such as "07:00")')
        if self.at == SHIFT_CHANGE and (self.day is not None or self.time is not None):
            raise ValueError('day and time are for at = "weekly" (shifts end when [[shift]] says)')
        return self

    @property
    def on(self) -> Day:
        return self.day or "mon"
