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
    emptying: Annotated[
        int,
        Field(description="1: of the supply in the slot now; 2: of the one that comes after it, and so on"),
    ]
    from_panels: Annotated[
        int,
        Field(description="not before: more would be thrown away than may be, or no fresh supply is there"),
    ]
    by_panels: Annotated[int, Field(description="not after: it may be empty")]
    since: Annotated[str | None, Field(alias="from", description="null: the takt isn't known")]
    by: str | None
    ready: Annotated[bool, Field(description="a fresh supply stands at the line, as somebody ticked")]
    left_over: Annotated[float | None, Field(description="parts expected to be thrown away; null: not known")]
    notice: Annotated[str | None, Field(description="the open notice about it")]


class StopView(BaseModel):
    panels: Annotated[int, Field(description="at the end of this panel from now")]
    at: str | None
    at_break: Annotated[bool, Field(description="a planned break begins then")]
    at_changeover: Annotated[
        bool, Field(description="an order ends then, and another recipe follows or none")
    ]
    costs: Annotated[
        float | None, Field(description="its minutes, what is thrown away, the risk; null: none configured")
    ]
    exchanges: list[ExchangeView]


class MeanwhileView(ExchangeView):
    begin: Annotated[str | None, Field(description="when hands are free for it; null: the takt isn't known")]
    end: str | None
    late: Annotated[bool | None, Field(description="it can't be done in time; null: not known")]


class WithoutView(BaseModel):
    """What would be without the plan, over the same panels."""

    stops: Annotated[float, Field(description="expected, if nobody exchanges before a slot is empty")]
    minutes: Annotated[float, Field(description="of the line that those would cost")]
    single_stops: Annotated[int, Field(description="if each slot that needs a stop had its own")]
    single_minutes: float


class PlanView(BaseModel):
    line: str
    as_of: str | None
    kept_since: Annotated[str | None, Field(description="since when the line goes by these stops")]
    panels: Annotated[int, Field(description="so far ahead")]
    margin_panels: int
    waste_share: float
    people: int
    feasible: Annotated[
        bool | None, Field(description="whether it can be done in time; null: that isn't known")
    ]
    helps: Annotated[list[str], Field(description="what would help, and where it is lacking")]
    helps_said: Annotated[list[schemas.SaidView], Field(description="the same, to be put into a language")]
    stop_minutes: Annotated[float, Field(description="of the line that the planned stops cost")]
    without: WithoutView
    stops: Annotated[list[StopView], Field(description="that meet every window, soonest first")]
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
