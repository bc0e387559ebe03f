"""The call about who did what, for administrators."""

from __future__ import annotations

from typing import Annotated, cast

from fastapi import APIRouter, Depends, Query
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service.access import Door
from service.domain.access import Role
from service.domain.events import MOST
from service.domain.model import to_rfc3339
from service.keyring import DeedRow
from service.web.answers import LATER, UNFIT, json_answer
from service.web.caller import caller_of, is_open
from service.web.reads import LARGEST_PAGE, PAGE, Limit

router = APIRouter(prefix="/api/v1", responses=LATER | UNFIT, tags=["access"])


class DeedView(BaseModel):
    id: int
    at: str
    who: Annotated[str, Field(description="the account, the token, or the link and where it was sent")]
    kind: Annotated[str, Field(description="`account`, `token`, `link`, `terminal`, or `nobody`: not let in")]
    did: str
    by: Annotated[str | None, Field(description="in whose name, where it isn't `who`")]
    answer: Annotated[int | None, Field(description="the HTTP status")]
    address: str | None


def door_for_admins(request: Request) -> Door:
    """Refuses (403) whoever isn't one."""
    caller = caller_of(request)
    if not is_open(request) and (caller is None or not caller.may(Role.ADMIN)):
        raise HTTPException(403, "it needs the role `admin`")
    return cast(Door, request.app.state.door)


@router.get("/audit", response_model=list[DeedView])
def audit(
    door: Annotated[Door, Depends(door_for_admins)],
    limit: Limit = PAGE,
    after: Annotated[int | None, Query(ge=0, le=MOST, description="the last id seen")] = None,
) -> Response:
    """Who did what, newest first: sign-ins, every change through the API, accounts and tokens made."""
    return json_answer([_view(row) for row in door.deeds(limit=min(limit, LARGEST_PAGE), after=after)])


def _view(row: DeedRow) -> dict[str, object]:
    deed = row.deed
    return {
        "id": row.id,
        "at": to_rfc3339(deed.at),
        "who": deed.who,
        "kind": deed.kind,
        "did": deed.did,
        "by": deed.by,
        "answer": deed.answer,
        "address": deed.address,
    }
