"""The calls about outlets: how each fares, sending a test through one, a look at what it would say."""

from __future__ import annotations

from typing import Annotated, cast

from fastapi import APIRouter, Depends
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from starlette.responses import Response

from service.domain.model import rfc3339_or_none
from service.domain.outage import State
from service.outgoing import OutletRow, TooSoon, WaysOut
from service.web import schemas
from service.web.answers import LATER, UNFIT, UNKNOWN, json_answer, problem
from service.web.wiring import Own, asked, body_of

router = APIRouter(prefix="/api/v1", responses=LATER | UNFIT, tags=["outgoing"])

NAME = Annotated[str, Field(description="as in the configuration")]


class OutletView(BaseModel):
    name: NAME
    type: Annotated[str, Field(description="`webhook`, `chat`, `email`, `push` or `other`")]
    leads_to: Annotated[
        str | None, Field(description="the host, or the schemes of other services; never the address")
    ]
    recipients: Annotated[int | None, Field(description="of mail; null: it isn't mail")]
    state: Annotated[
        State,
        Field(
            description="`new`: nothing was sent yet; `paused`: it asked for time; `gone`: nothing is sent"
        ),
    ]
    failing_since: str | None
    paused_until: str | None
    last_success: Annotated[str | None, Field(description="null: none is known")]
    last_failure: Annotated[str | None, Field(description="null: none is known")]
    last_error: Annotated[str | None, Field(description="why it failed then; no secret, no address")]
    waiting: int
    dead: Annotated[int, Field(description="deliveries that were given up")]
    phones: Annotated[int | None, Field(description="that hear it; null: it isn't for phones")]
    routed: Annotated[bool, Field(description="false: no route leads there, it hears nothing")]
    notice: Annotated[str | None, Field(description="the open notice that tells of its trouble")]


class AliveView(BaseModel):
    leads_to: Annotated[str | None, Field(description="the monitor's host; null: no monitor is configured")]
    every_minutes: float
    last_beat: Annotated[str | None, Field(description="null: none since this instance started")]
    last_failure: str | None
    last_error: Annotated[str | None, Field(description="no secret, no address")]
    at: Annotated[str | None, Field(description="of the daily message; null: there is none")]
    outlets: Annotated[list[str], Field(description="of the daily message")]
    said_on: Annotated[str | None, Field(description="the day of the last one; null: none since the start")]


class Test(schemas.Take):
    """Who sends it."""


class TestedView(BaseModel):
    outlet: NAME
    delivered: bool
    reason: Annotated[str | None, Field(description="why not; no secret, no address")]
    seconds: float


class ShownView(BaseModel):
    sample: Annotated[str, Field(description="what happened: `early`, `empty`, `closed`, `several at once`")]
    headers: Annotated[list[tuple[str, str]], Field(description="name and value")]
    text: str
    html: str | None


def _ways(own: Own) -> WaysOut:
    return cast(WaysOut, own.ways)


Ways = Annotated[WaysOut, Depends(_ways)]


@router.get("/outlets", response_model=list[OutletView])
def outlets(ways: Ways) -> Response:
    """The configured outlets and how each fares, in the order of the configuration."""
    return json_answer([_view(row) for row in ways.rows()])


@router.post(
    "/outlets/{name}/test",
    response_model=TestedView,
    responses=UNKNOWN | {429: {"model": schemas.Problem, "description": "it was tested just now"}},
    openapi_extra=body_of(Test),
)
async def test(name: str, ask: Annotated[Test, Depends(asked(Test))], ways: Ways) -> Response:
    """Send a message there now that says that it is a test; the answer says how that went, within 20 s. It
    goes out from this very instance, also while another is in charge, and counts as no notice."""
    try:
        tested = await ways.test(name, by=ask.by)
    except KeyError:
        raise _unknown(name) from None
    except TooSoon as refusal:
        return problem(429, str(refusal), {"retry-after": str(refusal.seconds)})
    return json_answer(tested)


@router.get("/outlets/{name}/preview", response_model=list[ShownView], responses=UNKNOWN)
async def preview(name: str, ways: Ways) -> Response:
    """What it would say of some invented notices. Nothing is sent; empty where it can't be shown."""
    try:
        shown = await ways.preview(name)
    except KeyError:
        raise _unknown(name) from None
    return json_answer(
        [
            {
                "sample": each.sample,
                "headers": each.shown.headers,
                "text": each.shown.text,
                "html": each.shown.html,
            }
            for each in shown
        ]
    )


@router.get("/heartbeat", response_model=AliveView)
def heartbeat(ways: Ways) -> Response:
    """How this instance says that it lives, so that its silence is noticed. Only the one in charge does."""
    alive = ways.alive()
    return json_answer(
        {
            "leads_to": alive.leads_to,
            "every_minutes": alive.every_minutes,
            "last_beat": rfc3339_or_none(alive.beat_at),
            "last_failure": rfc3339_or_none(alive.failed_at),
            "last_error": alive.error,
            "at": alive.at,
            "outlets": alive.outlets,
            "said_on": alive.said_on,
        }
    )


def _unknown(name: str) -> HTTPException:
    return HTTPException(404, f"no outlet {name[:80]!r}")


def _view(row: OutletRow) -> dict[str, object]:
    return {
        "name": row.name,
        "type": row.type,
        "leads_to": row.leads_to,
        "recipients": row.recipients,
        "state": row.state,
        "failing_since": rfc3339_or_none(row.since),
        "paused_until": rfc3339_or_none(row.paused_until),
        "last_success": rfc3339_or_none(row.succeeded_at),
        "last_failure": rfc3339_or_none(row.failed_at),
        "last_error": row.error,
        "waiting": row.waiting,
        "dead": row.dead,
        "phones": row.phones,
        "routed": row.routed,
        "notice": row.notice,
    }
