"""The calls about deliveries: what waits, what was sent, what could not be, and sending that again."""

from __future__ import annotations

from functools import partial
from typing import Annotated, cast

import anyio
from fastapi import APIRouter, Depends, Path, Query
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service.domain.events import MOST
from service.domain.model import rfc3339_or_none, to_rfc3339
from service.outgoing import DeliveryRow, DeliveryState, NotDead, Outgoing
from service.web import schemas
from service.web.answers import LATER, UNFIT, UNKNOWN, json_answer
from service.web.reads import LARGEST_PAGE, PAGE, Limit
from service.web.wiring import Own, asked, body_of

router = APIRouter(prefix="/api/v1", responses=LATER | UNFIT, tags=["outgoing"])


class DeliveryView(BaseModel):
    id: int
    outlet: str
    notice: Annotated[str, Field(description="the notice's id")]
    change: Annotated[str, Field(description="what it tells: opened, changed or closed")]
    version: Annotated[int, Field(description="of the notice, when it was written")]
    state: Annotated[
        DeliveryState, Field(description="`replaced`: a message sent before told this change along")
    ]
    attempts: int
    error: Annotated[str | None, Field(description="why the last attempt failed; no secret, no address")]
    created_at: str
    next_try: Annotated[str | None, Field(description="of a waiting one; it may be later while others wait")]
    settled_at: Annotated[str | None, Field(description="when it was sent, given up or replaced")]


class Again(schemas.Take):
    """Who wants it sent again."""


def _outgoing(request: Request) -> Outgoing:
    return cast(Outgoing, request.app.state.outgoing)


Tray = Annotated[Outgoing, Depends(_outgoing)]
Number = Annotated[int, Path(ge=0, le=MOST)]


@router.get("/deliveries", response_model=list[DeliveryView])
def deliveries(
    tray: Tray,
    state: DeliveryState | None = None,
    limit: Limit = PAGE,
    after: Annotated[int | None, Query(ge=0, le=MOST, description="the last id seen")] = None,
) -> Response:
    """Deliveries to every outlet, newest first; `state=dead` are those that were given up."""
    rows = tray.deliveries(state=state, limit=min(limit, LARGEST_PAGE), after=after)
    return json_answer([_view(row) for row in rows])


@router.post(
    "/deliveries/{delivery_id}/again",
    response_model=DeliveryView,
    responses=UNKNOWN | {409: {"model": DeliveryView, "description": "it isn't dead: the delivery as it is"}},
    openapi_extra=body_of(Again),
)
async def again(
    delivery_id: Number, ask: Annotated[Again, Depends(asked(Again))], tray: Tray, own: Own
) -> Response:
    """Send a dead delivery again, under the same id, as what is true by now."""
    call = partial(tray.again, delivery_id, by=ask.by)
    try:
        row = await anyio.to_thread.run_sync(call, limiter=own.desk_threads)
    except KeyError:
        raise HTTPException(404, f"no delivery {delivery_id}") from None
    except NotDead as refusal:
        return json_answer(_view(refusal.row), 409)
    return json_answer(_view(row))


def _view(row: DeliveryRow) -> dict[str, object]:
    return {
        "id": row.id,
        "outlet": row.outlet,
        "notice": row.notice,
        "change": row.change.value,
        "version": row.version,
        "state": row.state,
        "attempts": row.attempts,
        "error": row.error,
        "created_at": to_rfc3339(row.created_at),
        "next_try": rfc3339_or_none(row.next_try),
        "settled_at": rfc3339_or_none(row.settled_at),
    }
