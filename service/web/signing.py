"""Signing in and out: a plain form that works without scripts and with any password manager.

The answer to a wrong name and to a wrong password is the same. Where one was before, one comes back to: an
address on this site only.
"""

from __future__ import annotations

from functools import partial
from typing import Annotated, cast
from urllib.parse import parse_qs, urlsplit

import anyio
from fastapi import APIRouter, Depends, Query
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from service.access import Door, SignInRefused, TooMany
from service.domain.access import Deed
from service.language import english
from service.web.caller import (
    address_of,
    caller_of,
    give_session,
    is_open,
    is_secure,
    secret_of,
    take_session,
)
from service.web.guard import says_where_from
from service.web.pages import page
from service.web.tongue import language_of
from service.web.wiring import Own, read_body

router = APIRouter(include_in_schema=False, default_response_class=Response)

WRONG = english("Name and password don't belong together.")


def _door(request: Request) -> Door:
    return cast(Door, request.app.state.door)


Entrance = Annotated[Door, Depends(_door)]
Back = Annotated[str, Query(alias="next", max_length=2000)]


def place_on_this_site(wanted: str) -> str:
    """``wanted`` when it is a path of ours, else the first page."""
    parts = urlsplit(wanted)
    whole = wanted.startswith("/") and not wanted.startswith(("//", "/\\")) and wanted.isprintable()
    if not whole or parts.scheme or parts.netloc or "\\" in wanted or parts.path == "/sign-in":
        return "/"
    return wanted


@router.api_route("/sign-in", methods=["GET", "HEAD"])
async def sign_in_page(request: Request, back: Back = "/") -> Response:
    place = place_on_this_site(back)
    if is_open(request) or caller_of(request) is not None:
        return RedirectResponse(place, 303)
    return page(request, "signin.html", back=place, wrong=None, given="")


@router.post("/sign-in")
async def sign_in(request: Request, door: Entrance, own: Own) -> Response:
    _require_own_page(request)
    fields = await _form(request)
    name, place = fields.get("name", ""), place_on_this_site(fields.get("next", "/"))
    try:
        call = partial(door.sign_in, name, fields.get("password", ""), address=address_of(request.scope))
        secret = await anyio.to_thread.run_sync(call, limiter=own.desk_threads)
    except SignInRefused:
        return page(
            request, "signin.html", status=401, back=place, wrong=language_of(request).say(WRONG), given=name
        )
    except TooMany as trouble:
        language = language_of(request)
        words = language.say("Too many tries. Try again in {seconds} s.", seconds=trouble.seconds)
        answer = page(request, "signin.html", status=429, back=place, wrong=words, given=name)
        answer.headers["retry-after"] = str(trouble.seconds)
        return answer
    await _end_session(request, door, own)
    answer = RedirectResponse(place, 303)
    give_session(answer, secret, secure=_is_secure(request))
    return answer


@router.post("/sign-out")
async def sign_out(request: Request, door: Entrance, own: Own) -> Response:
    """Ends the session and its open streams."""
    _require_own_page(request)
    caller = caller_of(request)
    await _end_session(request, door, own)
    if caller is not None:
        deed = Deed(at=door.now(), who=caller.name, kind=caller.kind, did="sign out")
        await anyio.to_thread.run_sync(door.note, deed)
    answer = RedirectResponse("/sign-in", 303)
    take_session(answer, secure=_is_secure(request))
    return answer


async def _end_session(request: Request, door: Door, own: Own) -> None:
    """The session that the browser brought along, if it is one."""
    secret = secret_of(request)
    if secret is not None:
        own.hub.dismiss(secret)
        await anyio.to_thread.run_sync(door.sign_out, secret)


def _require_own_page(request: Request) -> None:
    if not says_where_from(request.headers):
        raise HTTPException(403, "refused: the request doesn't say which page it comes from")


def _is_secure(request: Request) -> bool:
    return is_secure(request.scope, request.app.state.public_url)


async def _form(request: Request) -> dict[str, str]:
    """The first value of each field; a form that can't be read has none."""
    body = (await read_body(request)).decode("utf-8", "replace")
    try:
        return {name: values[0] for name, values in parse_qs(body, max_num_fields=10).items()}
    except ValueError:
        return {}
