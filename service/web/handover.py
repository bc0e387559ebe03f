"""The shift handover: as JSON, as plain text for whoever asks for that, and as a page that fits on paper."""

from __future__ import annotations

from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

import anyio
from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response

from service.web import schemas
from service.web.answers import LATER, UNFIT, UNKNOWN, json_answer
from service.web.handed import Told, as_text
from service.web.pages import page
from service.web.tongue import language_of
from service.web.wiring import Behind, Own

HOURS = (1, 2, 4, 8)
"""What the page offers to look ahead."""

router = APIRouter(prefix="/api/v1", responses=LATER | UNFIT, tags=["reading"])
pages = APIRouter(include_in_schema=False, default_response_class=Response)

Line = Annotated[schemas.Name | None, Query(description="only this line; without it all")]
Hours = Annotated[float, Query(gt=0, le=24, description="how far to look ahead")]


class _Told(BaseModel):
    """What is answered: keys may be added later."""

    model_config = ConfigDict(extra="allow")


class PlaceView(_Told):
    line: str
    station: str
    slot: str


class DueView(PlaceView):
    part: str | None
    kind: str | None
    state: str
    panels_to_empty: schemas.PanelSpread | None
    empty_at: schemas.TimeSpread | None
    boundary_only: bool
    notice: str | None
    likely: Annotated[bool, Field(description="false: its median lies later, only its early end is within")]


class BringView(_Told):
    part: str | None
    kind: str | None
    supplies: int
    places: list[PlaceView]


class HappenedView(_Told):
    ended: Annotated[dict[str, int], Field(description="warnings by how they ended")]
    reached_empty: list[schemas.NoticeView]


class StationDoubt(_Told):
    line: str
    station: str
    offline_since: str | None
    uncertain_since: str | None
    clock_flagged: bool


class HandoverView(_Told):
    line: str | None
    at: str
    since: Annotated[str, Field(description="the beginning of the shift, or eight hours ago")]
    shift_ends: Annotated[str | None, Field(description="null: no shift ran, or none is configured")]
    until: Annotated[str, Field(description="how far `next` looks ahead")]
    open: list[schemas.NoticeView]
    taken: list[schemas.NoticeView]
    quiet: list[schemas.NoticeView]
    questions: list[schemas.NoticeView]
    next: Annotated[list[DueView], Field(description="slots that may run empty by then, soonest first")]
    bring: Annotated[list[BringView], Field(description="what to fetch for them, by part")]
    happened: HappenedView
    other: Annotated[list[schemas.NoticeView], Field(description="notices about anything else")]
    stations: Annotated[list[StationDoubt], Field(description="those whose numbers should be doubted")]


@router.get(
    "/handover",
    response_model=HandoverView,
    responses=UNKNOWN | {200: {"content": {"text/plain": {}}}},
)
def handover(request: Request, own: Own, line: Line = None, hours: Hours = 1.0) -> Response:
    """What one shift tells the next: open, taken and quiet notices, what falls due soon, what to bring, what
    happened. With `Accept: text/plain` in words."""
    found = _found(own, line, hours)
    accept = request.headers.get("accept", "")
    if "text/plain" in accept and "application/json" not in accept:
        return PlainTextResponse(as_text(_told(request, found)))
    return json_answer(found)


@pages.api_route("/handover", methods=["GET", "HEAD"])
async def handover_page(
    request: Request, own: Own, line: str | None = None, hours: Literal["1", "2", "4", "8"] = "1"
) -> Response:
    lines = await anyio.to_thread.run_sync(own.reading.lines)
    names = [str(each["line"]) for each in lines]
    chosen = line if line in names else None
    found = await anyio.to_thread.run_sync(_found, own, chosen, float(hours))
    return page(
        request,
        "handover.html",
        told=_told(request, found),
        lines=names,
        line=chosen,
        hours=int(hours),
        choices=HOURS,
    )


def _found(own: Behind, line: str | None, hours: float) -> dict[str, Any]:
    found: dict[str, Any] | None = own.reading.handover(line=line, hours=hours)
    if found is None:
        raise HTTPException(404, f"no line {line!r} was heard of yet")
    return found


def _told(request: Request, found: dict[str, Any]) -> Told:
    zone = ZoneInfo(request.app.state.timezone)
    return Told(handover=found, language=language_of(request), zone=zone)
