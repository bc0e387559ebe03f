"""The shapes of what is asked and told of a supply beyond its parts: floor life and trays."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AwareDatetime, BaseModel, BeforeValidator, ConfigDict, Field

from service.domain.moisture import read_level


def _level(said: object) -> str | None:
    level = None if said is None else read_level(said)
    if said is not None and level is None:
        raise ValueError("is no moisture level (such as 3, 2a or MSL3)")
    return level


Level = Annotated[str | None, BeforeValidator(_level), Field(description="of its label, such as 3, 2a, MSL3")]
Hours = Annotated[float, Field(gt=0, le=100_000, description="the floor life on its label, for level 6")]


class Trays(BaseModel):
    """What is left out is as configured for the slot. Rows and columns of ``next`` count from 0."""

    model_config = ConfigDict(extra="ignore")

    rows: Annotated[int, Field(ge=1, le=1000)] | None = None
    columns: Annotated[int, Field(ge=1, le=1000)] | None = None
    stack: Annotated[int, Field(ge=1, le=100)] | None = None
    next: Annotated[
        list[Annotated[int, Field(ge=0)]] | None,
        Field(min_length=2, max_length=2, description="row and column of the next cell of the first tray"),
    ] = None
    partial: Annotated[
        int | None, Field(ge=0, description="cells of the first tray that still hold a part")
    ] = None


class Material(BaseModel):
    """What a supply message may say beyond parts."""

    opened_at: Annotated[AwareDatetime | None, Field(description="when its dry bag was opened")] = None
    moisture_level: Level = None
    floor_hours: Hours | None = None
    trays: Trays | None = None


class _Told(BaseModel):
    """What is answered: keys may be added later."""

    model_config = ConfigDict(extra="allow")


class FloorLifeView(_Told):
    """How long the parts may still lie open, by the numbers as configured. What isn't known is ``null``."""

    state: Literal["sealed", "exposed", "dry", "expired", "unknown"]
    lies: Annotated[
        Literal["sealed", "exposed", "dry", "unknown"], Field(description="how it lies, expired or not")
    ]
    since: str | None
    level: str | None
    unlimited: bool
    limit_hours: float | None
    used_hours: float | None
    left_hours: Annotated[float | None, Field(description="as of `as_of`")]
    ends_at: Annotated[str | None, Field(description="null: the clock stands, or the end isn't known")]
    at_most_hours: Annotated[float | None, Field(description="left at most, where nobody knows the opening")]
    over_by: Annotated[str | None, Field(description="over by then for certain")]
    resets_at: Annotated[str | None, Field(description="the stay in the dry gives all of it back then")]
    reason: Annotated[
        Literal["level", "opening", "label", "bake"] | None, Field(description="what isn't known or done")
    ]
    as_of: str


class TrayView(_Told):
    """Rows and columns count from 0, trays of the stack from 1."""

    rows: int
    columns: int
    stack: int
    cells: Annotated[int, Field(description="of the whole stack")]
    tray: Annotated[int | None, Field(description="the tray of the stack that is used")]
    next: Annotated[list[int] | None, Field(description="row and column; null: not known, or none is left")]
    by_cells: Annotated[bool, Field(description="nobody counted parts: they are what the cells can hold")]
    empty_cavities: Annotated[int, Field(description="that picks found since the quantity was said")]
    too_many: Annotated[int, Field(description="parts that were declared beyond what the cells can hold")]


class Aboard(_Told):
    floor_life: Annotated[
        FloorLifeView | None, Field(description="null: nothing is said to be sensitive to moisture")
    ] = None
    tray: Annotated[TrayView | None, Field(description="null: no tray, or how it is divided isn't known")] = (
        None
    )
