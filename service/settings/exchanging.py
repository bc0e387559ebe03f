"""What is configured of exchanges: parts that may stand in for others, and the steps people are shown."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from service.domain.model import SupplyKind
from service.settings.checks import one_or_many
from service.settings.kinds import Pattern, Section, Text

Step = Annotated[str, Field(min_length=1, max_length=200, description="1 to 200 characters")]


class Substitute(Section):
    """Parts that may be loaded where a recipe wants ``part``; names are exact."""

    part: Text
    instead: Annotated[
        tuple[Text, ...],
        BeforeValidator(one_or_many),
        Field(alias="with", min_length=1, description="part numbers that may be loaded instead"),
    ]
    line: Pattern | None = None
    station: Pattern | None = None


class CareRule(Section):
    """The steps of an exchange in a plant's own words; the cautions before them stay."""

    kind: Annotated[SupplyKind | None, Field(description="tape, tray, stick or bulk")] = None
    line: Pattern | None = None
    station: Pattern | None = None
    change: Annotated[Literal["loaded", "joined"] | None, Field(description='"loaded" or "joined"')] = None
    steps: Annotated[
        tuple[Step, ...],
        BeforeValidator(one_or_many),
        Field(min_length=1, max_length=8, description="1 to 8 short sentences"),
    ]

    @model_validator(mode="after")
    def _can_be(self) -> CareRule:
        if self.change == "joined" and self.kind not in (None, SupplyKind.TAPE):
            raise ValueError(f"a {self.kind} can't be joined (only a tape can)")
        return self
