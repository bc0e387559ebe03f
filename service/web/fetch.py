"""The fetch list of a line: as JSON, as rows for a spreadsheet, in words; and what is ticked as ready."""

from __future__ import annotations

from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from fastapi import APIRouter, Depends, Query
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response

from service.desk import Desk
from service.web import schemas
from service.web.answers import LATER, UNFIT, UNKNOWN, json_answer
from service.web.fetched import Told, as_csv, as_text, with_words
from service.web.reads import Moment
from service.web.tongue import language_of
from service.web.wiring import Own, asked, body_of

router = APIRouter(prefix="/api/v1", responses=LATER | UNFIT)
CSV, TEXT, JSON = "text/csv", "text/plain", "application/json"
Kind = Literal["tape", "tray", "stick", "bulk"]
By = Annotated[str | None, Field(description="to be there by then; null: when isn't known")]


class _Told(BaseModel):
    """What is answered: keys may be added later."""

    model_config = ConfigDict(extra="allow")


class ItemView(_Told):
    part: str | None
    kind: str | None
    supplies: int


class WalkView(_Told):
    by: By
    items: list[ItemView]
    message: str


class TickView(_Told):
    by: Annotated[str, Field(description="who")]
    at: str


class ForView(_Told):
    station: str
    slot: str
    order: Annotated[str | None, Field(description="during which order")]
    changeover: Annotated[bool, Field(description="it comes with the order: the one before had another part")]
    panels: Annotated[int | None, Field(description="by this panel boundary from now")]
    by: By
    boundary_only: bool


class PartView(_Told):
    part: Annotated[str | None, Field(description="null: nobody knows; one row for each such slot")]
    kind: str | None
    supplies: int
    at_least: Annotated[bool, Field(description="how many follow isn't known")]
    ready: Annotated[int, Field(description="ticked as standing there and not loaded since")]
    missing: int
    by: By
    ticked: Annotated[TickView | None, Field(description="the last tick")]
    slots: Annotated[list[ForView], Field(alias="for", description="one for each supply, soonest first")]


class UnknownView(_Told):
    why: Literal["left", "usage", "full", "recipe", "end"]
    order: str | None
    station: str
    slot: str | None
    part: str | None


class FetchView(_Told):
    line: str
    at: str
    until: str
    shift_ends: Annotated[str | None, Field(description="null: no shift runs, or none is configured")]
    walks: Annotated[list[WalkView], Field(description="what is missing, an hour's needs together")]
    parts: Annotated[list[PartView], Field(description="what is missing soonest first, then what is there")]
    unknown: list[UnknownView]


class Tick(BaseModel):
    """``supplies``: so many stand ready now, in all; lower than before takes a tick back."""

    model_config = ConfigDict(strict=True, extra="ignore")

    part: Annotated[str, Field(min_length=1, max_length=256)]
    kind: Kind | None = None
    supplies: Annotated[int, Field(ge=0, le=9999)]
    by: schemas.Person


class ReadyView(_Told):
    line: str
    part: str
    kind: str | None
    ready: int
    ticked: TickView | None


@router.get(
    "/lines/{line}/fetch",
    tags=["reading"],
    response_model=FetchView,
    responses=UNKNOWN | {200: {"content": {TEXT: {}, CSV: {}}}},
)
def fetch(
    request: Request,
    line: schemas.Name,
    own: Own,
    until: Annotated[
        Moment, Query(description="RFC 3339; the end of the shift that runs unless said")
    ] = None,
    hours: Annotated[
        float | None, Query(gt=0, le=168, description="or so many hours; eight without a shift")
    ] = None,
    format_: Annotated[Literal["json", "csv", "text"] | None, Query(alias="format")] = None,
) -> Response:
    """What to fetch, by part: how many supplies, by when, for which slots, for the orders that run and that
    are queued; what stands ready counts as there. Also as `text/csv` and `text/plain`."""
    found: dict[str, Any] | None = own.reading.fetch(line, until=until, hours=hours)
    if found is None:
        raise HTTPException(404, f"no line {line!r} was heard of yet")
    zone = ZoneInfo(request.app.state.timezone)
    match format_ or _wanted(request.headers.get("accept", "")):
        case "csv":
            name = 'attachment; filename="fetch.csv"'
            return Response(as_csv(found), media_type=CSV, headers={"content-disposition": name})
        case "text":
            told = Told(fetch=found, language=language_of(request), zone=zone)
            return PlainTextResponse(as_text(told))
    return json_answer(with_words(found, zone))


def _wanted(accept: str) -> str:
    if JSON in accept:
        return "json"
    return "csv" if CSV in accept else "text" if TEXT in accept else "json"


@router.post(
    "/lines/{line}/ready",
    tags=["changing"],
    response_model=ReadyView,
    responses=UNKNOWN,
    openapi_extra=body_of(Tick),
)
async def ready(line: schemas.Name, tick: Annotated[Tick, Depends(asked(Tick))], own: Own) -> Response:
    """Tick that so many supplies of a part stand ready at the line. A load of that part uses one up."""

    def tell(desk: Desk) -> dict[str, object]:
        return desk.readied(line, part=tick.part, kind=tick.kind, supplies=tick.supplies, by=tick.by)

    try:
        return json_answer(await own.at_desk(tell))
    except KeyError:
        raise HTTPException(404, f"no line {line!r} was heard of yet") from None
