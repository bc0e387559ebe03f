"""The plan of a line: what to exchange together, when, and what meanwhile."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from starlette.responses import Response

from service.web import schemas
from service.web.answers import LATER, UNFIT, UNKNOWN, json_answer
from service.web.wiring import Own

router = APIRouter(prefix="/api/v1", responses=LATER | UNFIT, tags=["reading"])


class ExchangeView(BaseModel):
    """Panels are whole ones from now, the one in work being the first; 0 is at once."""

    station: str
    slot: str
    kind: str | None
    part: str | None
    from_panels: Annotated[int, Field(description="not before: more would be thrown away than may be")]
    by_panels: Annotated[int, Field(description="not after: it may be empty")]
    since: Annotated[str | None, Field(alias="from", description="null: the takt isn't known")]
    by: str | None
    notice: Annotated[str | None, Field(description="the open notice about it")]


class StopView(BaseModel):
    panels: Annotated[int, Field(description="at the end of this panel from now")]
    at: str | None
    exchanges: list[ExchangeView]


class MeanwhileView(ExchangeView):
    late: Annotated[bool | None, Field(description="one pair of hands can't do it in time; null: not known")]


class PlanView(BaseModel):
    line: str
    as_of: str | None
    panels: Annotated[int, Field(description="so far ahead")]
    margin_panels: int
    waste_share: float
    stops: Annotated[list[StopView], Field(description="the fewest that meet every window, soonest first")]
    meanwhile: Annotated[list[MeanwhileView], Field(description="what needs no stop, in the order to do it")]


@router.get("/lines/{line}/plan", response_model=PlanView, responses=UNKNOWN)
def plan(
    line: schemas.Name,
    own: Own,
    panels: Annotated[int, Query(ge=1, le=10_000, description="how far ahead")] = 200,
) -> Response:
    """Which slots to exchange together, at which panel boundary and clock time."""
    found = own.reading.plan(line, panels=panels)
    if found is None:
        raise HTTPException(404, f"no line {line!r} was heard of yet")
    return json_answer(found)
