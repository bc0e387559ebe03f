"""Who may come in and who is in, for administrators: calls and a page to see it, and to end it."""

from __future__ import annotations

from functools import partial
from typing import Annotated

import anyio
from fastapi import APIRouter, Depends, Path
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service.access import Door, keys
from service.domain.access import Session
from service.domain.model import rfc3339_or_none, to_rfc3339
from service.web.answers import LATER, UNFIT, UNKNOWN, json_answer
from service.web.audit import door_for_admins
from service.web.caller import secret_of
from service.web.pages import page
from service.web.wiring import Own

router = APIRouter(prefix="/api/v1", responses=LATER | UNFIT, tags=["access"])
pages = APIRouter(include_in_schema=False, default_response_class=Response)
Entrance = Annotated[Door, Depends(door_for_admins)]
Id = Annotated[str, Path(pattern="^[0-9a-f]{12}$", description="as the list has it")]


class SessionView(BaseModel):
    id: Annotated[str, Field(description="names it here and opens nothing")]
    account: str
    role: str
    since: str
    last_seen: Annotated[str, Field(description="to about five minutes")]
    address: Annotated[str | None, Field(description="where it was signed in from, as the audit has it")]
    this: Annotated[bool, Field(description="the one that asks")]


class AccountView(BaseModel):
    name: str
    role: str
    ended: str | None


class TokenView(BaseModel):
    name: Annotated[str, Field(description="` (old)` behind it: the secret before, while it still holds")]
    role: str
    for_others: bool
    last_used: Annotated[str | None, Field(description="to about five minutes; null: never")]
    expires: Annotated[str | None, Field(description="null: when it is ended")]
    ended: str | None


class AccessView(BaseModel):
    accounts: list[AccountView]
    tokens: list[TokenView]


class SessionEnded(BaseModel):
    ended: str
    account: str


@router.get("/sessions", response_model=list[SessionView])
def sessions(request: Request, door: Entrance) -> Response:
    """Who is signed in, the last used first."""
    secret = secret_of(request)
    own = None if secret is None else keys.digest(secret)
    return json_answer([_view(each, own) for each in door.sessions()])


@router.get("/access", response_model=AccessView)
def access(door: Entrance) -> Response:
    """Which accounts and tokens there are; no secret, and no hash of one."""
    accounts, tokens = door.known()
    return json_answer(
        {
            "accounts": [
                {"name": each.name, "role": each.role, "ended": rfc3339_or_none(each.ended_at)}
                for each in accounts
            ],
            "tokens": [
                {
                    "name": each.name,
                    "role": each.role,
                    "for_others": each.others,
                    "last_used": rfc3339_or_none(each.used_at),
                    "expires": rfc3339_or_none(each.expires_at),
                    "ended": rfc3339_or_none(each.ended_at),
                }
                for each in tokens
            ],
        }
    )


@pages.api_route("/sessions", methods=["GET", "HEAD"])
async def sessions_page(request: Request) -> Response:
    return page(request, "sessions.html")


@router.post("/sessions/{session}/end", response_model=SessionEnded, responses=UNKNOWN)
async def end_session(session: Id, door: Entrance, own: Own) -> Response:
    """It opens nothing from now on; pages that are open end within seconds."""
    found = await anyio.to_thread.run_sync(partial(_end, door, session), limiter=own.desk_threads)
    if found is None:
        raise HTTPException(404, f"there is no session {session!r}, or it has ended")
    return json_answer({"ended": found.id, "account": found.name})


def _end(door: Door, session: str) -> Session | None:
    found = next((each for each in door.sessions() if each.id == session), None)
    if found is not None:
        door.end_sessions([found])
    return found


def _view(session: Session, own: bytes | None) -> dict[str, object]:
    return {
        "id": session.id,
        "account": session.name,
        "role": session.role,
        "since": to_rfc3339(session.created_at),
        "last_seen": to_rfc3339(session.used_at),
        "address": session.address,
        "this": session.digest == own,
    }
