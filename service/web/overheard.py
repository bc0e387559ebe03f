"""The calls about listening to a broker from a page, and trying a draft out: nothing of it counts."""

from __future__ import annotations

from typing import Annotated, Any, Literal, cast

from fastapi import APIRouter, Depends
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service.desk import Unfit
from service.overhearing import LONGEST, Busy, NotOurs, Overhearing
from service.web.answers import LATER, UNFIT, UNKNOWN, json_answer
from service.web.pages import page
from service.web.wiring import asked, body_of

router = APIRouter(prefix="/api/v1", responses=LATER | UNFIT, tags=["gateways"])
pages = APIRouter(include_in_schema=False, default_response_class=Response)
BUSY: dict[int | str, dict[str, Any]] = {409: {"description": "one at a time, and it isn't over"}}


class BrokerView(BaseModel):
    at: Annotated[str, Field(description="`mqtt`, or a source's name")]
    leads_to: Annotated[str, Field(description="its host")]


class Listen(BaseModel):
    at: Annotated[str, Field(description="whose broker: `mqtt` or a source's name")] = "mqtt"
    topics: Annotated[
        list[Annotated[str, Field(min_length=1, max_length=200)]], Field(min_length=1, max_length=20)
    ] = ["#"]
    seconds: Annotated[int, Field(ge=1, le=LONGEST)] = 60
    births: Annotated[
        bool, Field(description="ask Sparkplug nodes whose names aren't known for their births")
    ] = False


class ListeningView(BaseModel):
    state: Literal["none", "listening", "done", "failed"]
    at: str | None = None
    since: str | None = None
    seconds: int | None = None
    messages: int | None = None
    trouble: Annotated[str | None, Field(description="why it failed")] = None
    found: Annotated[
        dict[str, Any] | None,
        Field(description="topics, formats and values; null until it is done"),
    ] = None
    draft: Annotated[str | None, Field(description="`[[source]]` tables, doubts marked")] = None


class Draft(BaseModel):
    draft: Annotated[str, Field(min_length=1, max_length=60_000, description="`[[source]]` tables in TOML")]


class TryingView(BaseModel):
    state: Literal["none", "trying", "done"]
    since: str | None = None
    seconds: int | None = None
    trials: Annotated[list[dict[str, Any]], Field(description="as under `trial` of a source")]


def _guest(request: Request) -> Overhearing:
    return cast(Overhearing, request.app.state.guest)


Guest = Annotated[Overhearing, Depends(_guest)]


@router.get("/brokers", response_model=list[BrokerView])
def brokers(guest: Guest) -> Response:
    """The brokers of the configuration: where one may listen."""
    return json_answer(guest.brokers())


@router.get("/overheard", response_model=ListeningView)
def overheard(guest: Guest) -> Response:
    """How the last listening stands, and what it found."""
    return json_answer(guest.overheard())


@router.post(
    "/overheard",
    response_model=ListeningView,
    responses=UNKNOWN | BUSY,
    openapi_extra=body_of(Listen),
)
def listen(ask: Annotated[Listen, Depends(asked(Listen))], guest: Guest) -> Response:
    """Listen to a broker for a while, as a guest that says nothing unasked and leaves nothing there."""
    try:
        guest.listen(at=ask.at, topics=ask.topics, seconds=ask.seconds, births=ask.births)
    except KeyError:
        raise HTTPException(404, f"no broker of a source {ask.at!r}") from None
    except Busy as busy:
        raise HTTPException(409, str(busy)) from None
    return json_answer(guest.overheard())


@router.post("/overheard/stop", response_model=ListeningView)
def stop_listening(guest: Guest) -> Response:
    """End it now; what was heard so far is told."""
    guest.stop_listening()
    return json_answer(guest.overheard())


@router.get("/tryout", response_model=TryingView)
def tried(guest: Guest) -> Response:
    """What the draft on trial would have counted, beside what was counted."""
    return json_answer(guest.tried())


@router.post("/tryout", response_model=TryingView, responses=BUSY, openapi_extra=body_of(Draft))
def try_out(ask: Annotated[Draft, Depends(asked(Draft))], guest: Guest) -> Response:
    """Hear what a draft would count, for ten minutes at most. Nothing of it counts."""
    try:
        guest.try_out(ask.draft)
    except (Unfit, NotOurs) as unfit:
        raise HTTPException(422, str(unfit)) from None
    except Busy as busy:
        raise HTTPException(409, str(busy)) from None
    return json_answer(guest.tried())


@router.post("/tryout/stop", response_model=TryingView)
def stop_trying(guest: Guest) -> Response:
    """End it; its figures stay until the next."""
    guest.stop_trying()
    return json_answer(guest.tried())


@pages.api_route("/listen", methods=["GET", "HEAD"])
async def listen_page(request: Request) -> Response:
    return page(request, "listen.html")
