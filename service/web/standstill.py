"""Why a line stood at a moment: as JSON and as a page, from a review of the time around it."""

from __future__ import annotations

import unicodedata
from functools import partial
from typing import Annotated, Any, cast
from zoneinfo import ZoneInfo

import anyio
from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service.domain.model import Instant
from service.paper.tell import Tell
from service.reviewing import NothingToReview, NotReviewed, Progress
from service.usecases.standstill import around, moment_asked, standstill
from service.web import schemas
from service.web.answers import LATER, UNFIT, UNKNOWN, json_answer
from service.web.pages import page
from service.web.review import NOTHING, reviews_of
from service.web.stood import Stood, as_object
from service.web.tongue import language_of
from service.web.wiring import Behind, Own

Json = dict[str, Any]
PATIENCE = 2.5
"""Seconds that an answer waits for the review; usually it is there by then."""
_LOOK_EVERY = 0.1

router = APIRouter(prefix="/api/v1", responses=LATER | UNFIT, tags=["reading"])
pages = APIRouter(include_in_schema=False, default_response_class=Response)


class _Told(BaseModel):
    """What is answered: keys may be added later."""

    model_config = ConfigDict(extra="allow")


class StandstillView(_Told):
    line: str
    asked: str
    at: Annotated[str, Field(description="of a whole minute the first moment at which it stood")]
    known: Annotated[bool, Field(description="false: nothing was heard of the line then")]
    stood: bool
    since: str | None
    until: str | None
    goes_on: bool
    cause: str | None
    began: Annotated[dict[str, Any] | None, Field(description="the stop that the line's time is put down to")]
    alone: Annotated[list[dict[str, Any]], Field(description="stations that stood while the line worked")]
    held: Annotated[list[dict[str, Any]], Field(description="stations that waited for it")]
    warning: Annotated[dict[str, Any] | None, Field(description="the last one about that slot before")]
    before: Annotated[dict[str, Any] | None, Field(description="the nearest stop before")]
    after: Annotated[dict[str, Any] | None, Field(description="the nearest stop behind")]
    stations: list[dict[str, Any]]
    timeline: Annotated[dict[str, Any], Field(description="each station's stretches around it")]


class ReviewedView(_Told):
    entries: Annotated[int, Field(description="entries of the journal that were read so far")]
    waits: Annotated[int, Field(description="other reviews that come first")]


Line = Annotated[schemas.Name, Query()]
At = Annotated[
    str, Query(max_length=40, description="RFC 3339, or a clock time such as 10:42: the last such moment")
]


@router.get(
    "/standstill",
    response_model=StandstillView,
    responses=UNKNOWN | {202: {"model": ReviewedView, "description": "it is being reviewed; ask again"}},
)
async def standstill_at(request: Request, own: Own, line: Line, at: At) -> Response:
    """Why the line stood at that moment: since when until when, which station began it and why, who waited
    for it, when the warning had come, who took it, and the stops before and after. Where it worked, that."""
    try:
        found = await _found(own, line, at, _zone(request))
    except ValueError as wrong:
        raise HTTPException(422, str(wrong)) from None
    except NothingToReview:
        raise HTTPException(404, NOTHING) from None
    except NotReviewed as failed:
        raise HTTPException(503, str(failed)) from None
    if isinstance(found, Progress):
        told = {"entries": found.entries, "waits": found.waits}
        return json_answer(told, 202, {"retry-after": "1"})
    return json_answer(as_object(found, await _hears(own, found)))


@pages.api_route("/standstill", methods=["GET", "HEAD"])
async def standstill_page(
    request: Request,
    own: Own,
    line: str = "",
    at: Annotated[str, Query(max_length=40)] = "",
    day: Annotated[str, Query(max_length=10)] = "",
) -> Response:
    names = [str(each["line"]) for each in await anyio.to_thread.run_sync(own.reading.lines)]
    chosen = unicodedata.normalize("NFC", line)
    chosen = chosen if chosen in names else (names[0] if len(names) == 1 else "")
    shown: dict[str, Any] = {
        "lines": names,
        "line": chosen,
        "at": at,
        "day": day,
        "wrong": None,
        "waits": None,
    }
    status = 200
    if chosen and at:
        try:
            shown |= await _shown(request, own, chosen, f"{day}T{at.zfill(5)}" if day else at)
        except ValueError as wrong:
            shown["wrong"], status = str(wrong).removeprefix("at: "), 422
        except NothingToReview:
            shown["wrong"], status = NOTHING, 404
        except NotReviewed as failed:
            shown["wrong"], status = str(failed), 503
    return page(request, "standstill.html", status=status, **shown)


async def _shown(request: Request, own: Behind, line: str, at: str) -> Json:
    found = await _found(own, line, at, _zone(request))
    if isinstance(found, Progress):
        return {"waits": found}
    tell = Tell(language_of(request), _zone(request))
    local = tell.local(found["asked"])
    exact = f"{local:%H:%M:%S}" if local.second else f"{local:%H:%M}"
    stood = Stood(found=found, tell=tell, hears=await _hears(own, found))
    return {"stood": stood, "at": exact, "day": f"{local:%Y-%m-%d}"}


async def _found(own: Behind, line: str, text: str, zone: ZoneInfo) -> Json | Progress:
    """The answer, or how far the review is when it isn't there soon. ``ValueError``: that is no moment."""
    now = await anyio.to_thread.run_sync(_now, own)
    at = moment_asked(text, zone, now)
    ask = partial(reviews_of(own).ask, *around(at, now), line)
    found = await anyio.to_thread.run_sync(ask)
    waited = 0.0
    while isinstance(found, Progress) and waited < PATIENCE:
        await anyio.sleep(_LOOK_EVERY)
        waited += _LOOK_EVERY
        found = await anyio.to_thread.run_sync(ask)
    if isinstance(found, Progress):
        return found
    try:
        return standstill(found, line, at)
    except KeyError:
        raise NothingToReview(NOTHING) from None


async def _hears(own: Behind, found: Json) -> tuple[str, ...]:
    """Whom its warning was told; empty where no person was named."""
    if found["warning"] is None:
        return ()
    notice = await anyio.to_thread.run_sync(own.reading.notice, found["warning"]["notice"])
    return () if notice is None else tuple(cast("list[str]", notice.get("hears") or ()))


def _zone(request: Request) -> ZoneInfo:
    return ZoneInfo(request.app.state.timezone)


def _now(own: Behind) -> Instant:
    """That of the page: in a replay the recording's."""
    return own.reading.recent(None)[0]
