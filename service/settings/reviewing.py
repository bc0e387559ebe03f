"""What a review reckons with: what each cause of a stop counts as, and when a loss is more than chance."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from service.domain.reviewing import E10, Time
from service.domain.track import Cause
from service.settings.checks import not_a_boolean, one_or_many, split_commas, twice
from service.settings.kinds import Pattern, Section, Text

_CAUSES = ", ".join(Cause)
_STATES = ", ".join(E10)
_TIMES = ", ".join(Time)
ACause = Annotated[Cause, Field(description=f"one of: {_CAUSES}")]
_Number = BeforeValidator(not_a_boolean)


class CauseRule(Section):
    """What is left out counts as it does elsewhere."""

    cause: ACause
    e10: Annotated[E10 | None, Field(description=f"one of: {_STATES}")] = None
    time: Annotated[Time | None, Field(description=f"one of: {_TIMES}")] = None
    line: Pattern | None = None
    station: Pattern | None = None

    @model_validator(mode="after")
    def _says_something(self) -> CauseRule:
        if self.e10 is None and self.time is None:
            raise ValueError("changes nothing (set e10 or time)")
        return self


class TaktRule(Section):
    seconds: Annotated[float, _Number, Field(ge=0.1, le=86_400, description="seconds from 0.1 to 86400")]
    line: Pattern | None = None
    station: Pattern | None = None
    recipe: Pattern | None = None


class Review(Section):
    failures: Annotated[
        tuple[Cause, ...], BeforeValidator(split_commas), Field(description=f"causes, of: {_CAUSES}")
    ] = (Cause.FAULT,)
    failure_count: Annotated[
        Literal["classical", "plus one"], Field(description='"classical" or "plus one"')
    ] = "classical"
    engineering: Annotated[
        tuple[Pattern, ...], BeforeValidator(one_or_many), Field(description="patterns of recipes")
    ] = ()
    ewma_weight: Annotated[
        float, _Number, Field(gt=0, le=1, description="a number above 0, at most 1, such as 0.2")
    ] = 0.2
    limit_sigmas: Annotated[float, _Number, Field(ge=1, le=10, description="a number from 1 to 10")] = 3.0
    false_changes: Annotated[
        float, _Number, Field(gt=0, le=0.5, description="a chance above 0, at most 0.5, such as 0.05")
    ] = 0.05
    causes: Annotated[tuple[CauseRule, ...], Field(alias="cause")] = ()
    takts: Annotated[tuple[TaktRule, ...], Field(alias="takt")] = ()


class Line(Section):
    """A line whose stations can't be put in order by what they count, or are to be in another."""

    line: Text
    stations: Annotated[
        tuple[Text, ...],
        BeforeValidator(split_commas),
        Field(min_length=1, description="names of stations, first upstream"),
    ]

    @model_validator(mode="after")
    def _once_each(self) -> Line:
        if doubles := twice(self.stations):
            raise ValueError(f"station {doubles} is there twice (name each once)")
        return self


def refuse_doubles(lines: tuple[Line, ...]) -> None:
    """Raises ``ValueError`` for a line whose order is given twice."""
    if doubles := twice([each.line for each in lines]):
        raise ValueError(f"the order of line {doubles} is given twice (keep one)")
