"""Rules for values that come under a name each: ``[[source.value]]``."""

from __future__ import annotations

from typing import Annotated, Literal, get_args

from pydantic import BeforeValidator, Field, model_validator

from service.settings.checks import not_a_boolean
from service.settings.kinds import Section, Whole
from service.wire.rules import Meaning, Reader, Rule


class ValueRule(Section):
    name: Annotated[
        str, Field(min_length=1, max_length=400, description="a pattern such as Feeders/{slot}/Placed")
    ]
    means: Annotated[Meaning, Field(description=", ".join(get_args(Meaning)))]
    counts: Annotated[Literal["total", "delta"], Field(description='"total" or "delta"')] = "total"
    each: Annotated[Whole, Field(ge=1, le=1_000_000, description="a whole number from 1")] = 1
    times: Annotated[float, BeforeValidator(not_a_boolean), Field(gt=0, description="a number over 0")] = 1
    words: dict[str, str] = Field(default={})
    bits: dict[str, str] = Field(default={})
    fixed: dict[str, str] = Field(default={})

    @model_validator(mode="after")
    def _can_be_used(self) -> ValueRule:
        Reader(self.rule())
        return self

    def rule(self) -> Rule:
        return Rule(**{name: getattr(self, name) for name in Rule.__struct_fields__})
