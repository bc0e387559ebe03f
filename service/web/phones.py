"""The calls about phones: which outlets one may hear on this phone, hearing one, a test, an end.

An endpoint is never given out again: a phone that asks says the name of its device, which follows from it.
"""

from __future__ import annotations

import base64
import binascii
import time
from functools import partial
from typing import Annotated, cast

import anyio
from fastapi import APIRouter, Depends, Path, Query
from pydantic import BaseModel, BeforeValidator, Field
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from service.domain.access import Role
from service.domain.model import to_rfc3339
from service.language import english
from service.outgoing import Tested
from service.phones import LONGEST_ENDPOINT, Full, Phone, Phonebook, device_of
from service.web.answers import LATER, UNFIT, UNKNOWN, json_answer
from service.web.caller import caller_of
from service.web.schemas import Take
from service.web.wiring import Own, asked, body_of

router = APIRouter(prefix="/api/v1", responses=LATER | UNFIT, tags=["phones"])

DEVICE = r"^[0-9a-f]{32}$"
Device = Annotated[str, Path(pattern=DEVICE)]


def _from_base64url(text: object) -> object:
    """Browsers write it without padding."""
    if not isinstance(text, str):
        return text
    try:
        return base64.b64decode(text.rstrip("=") + "=" * (-len(text.rstrip("=")) % 4), b"-_", validate=True)
    except (binascii.Error, ValueError):
        raise ValueError("is not base64url") from None


Raw = Annotated[bytes, BeforeValidator(_from_base64url), Field(max_length=200)]


class Subscribe(Take):
    """Who wants to hear an outlet on this phone: what a browser's `PushSubscription` holds."""

    outlet: Annotated[str, Field(max_length=64)]
    endpoint: Annotated[str, Field(min_length=1, max_length=LONGEST_ENDPOINT)]
    p256dh: Annotated[Raw, Field(description="base64url of 65 bytes")]
    auth: Annotated[Raw, Field(description="base64url of 16 bytes")]
    language: Annotated[str | None, Field(max_length=35, description="of what it is told: `de`")] = None
    instead_of: Annotated[
        str | None, Field(pattern=DEVICE, description="the device that it was before its endpoint changed")
    ] = None


class End(Take):
    """Who no longer wants to hear it there."""

    outlet: Annotated[str | None, Field(max_length=64, description="absent: none of them")] = None


class TestAsked(Take):
    """Who wants a test."""

    outlet: Annotated[str, Field(max_length=64)]


class OutletForPhones(BaseModel):
    outlet: str
    phones: Annotated[int, Field(description="how many hear it")]


class PhoneView(BaseModel):
    device: Annotated[str, Field(description="what it is called here; its endpoint is never given out")]
    outlet: str
    person: str
    since: str


class PhonesView(BaseModel):
    key: Annotated[str | None, Field(description="the `applicationServerKey`; none without an outlet")]
    outlets: list[OutletForPhones]
    phones: Annotated[list[PhoneView], Field(description="of this device, and one's others when signed in")]


class TestView(BaseModel):
    outlet: str
    delivered: Annotated[bool, Field(description="the browser's push service took it")]
    reason: str | None
    seconds: float


class Ended(BaseModel):
    ended: Annotated[int, Field(description="how many outlets it no longer hears")]


def _book(own: Own) -> Phonebook:
    return cast(Phonebook, own.phones)


Phones = Annotated[Phonebook, Depends(_book)]


@router.get("/phones", response_model=PhonesView)
def phones(
    request: Request, book: Phones, device: Annotated[str | None, Query(pattern=DEVICE)] = None
) -> Response:
    """What this phone may hear and hears."""
    outlets = book.outlets()
    person = _person(request)
    return json_answer(
        {
            "key": book.public_key() if outlets else None,
            "outlets": [{"outlet": name, "phones": count} for name, count in outlets.items()],
            "phones": [_view(each) for each in book.of(person=person, device=device)],
        }
    )


@router.post(
    "/phones",
    response_model=PhoneView,
    responses=UNKNOWN | {409: {"description": "no more phones fit: end one first"}},
    openapi_extra=body_of(Subscribe),
)
async def subscribe(ask: Annotated[Subscribe, Depends(asked(Subscribe))], book: Phones, own: Own) -> Response:
    """Hear an outlet on this phone from now on; the same again changes nothing."""
    phone = Phone(
        device=device_of(ask.endpoint),
        outlet=ask.outlet,
        person=ask.by,
        endpoint=ask.endpoint,
        p256dh=ask.p256dh,
        auth=ask.auth,
        created_at=time.time_ns() // 1000,
        language=ask.language,
    )
    call = partial(book.subscribe, phone, instead_of=ask.instead_of)
    try:
        await anyio.to_thread.run_sync(call, limiter=own.desk_threads)
    except KeyError:
        raise HTTPException(404, f"there is no outlet for phones {ask.outlet!r}") from None
    except ValueError as error:
        raise HTTPException(422, str(error)) from None
    except Full as full:
        raise HTTPException(409, str(full)) from None
    return json_answer(_view(phone))


@router.post("/phones/{device}/end", response_model=Ended, responses=UNKNOWN, openapi_extra=body_of(End))
async def end(
    device: Device, ask: Annotated[End, Depends(asked(End))], request: Request, book: Phones, own: Own
) -> Response:
    """No longer hear an outlet, or any, on a phone of one's own."""
    await _own_rows(request, book, own, device)
    call = partial(book.end, device, ask.outlet)
    return json_answer({"ended": await anyio.to_thread.run_sync(call, limiter=own.desk_threads)})


@router.post(
    "/phones/{device}/test", response_model=TestView, responses=UNKNOWN, openapi_extra=body_of(TestAsked)
)
async def test(
    device: Device,
    ask: Annotated[TestAsked, Depends(asked(TestAsked))],
    request: Request,
    book: Phones,
    own: Own,
) -> Response:
    """Send a test to a phone of one's own: `delivered` when the browser's push service took it."""
    rows = await _own_rows(request, book, own, device)
    wanted = [row for row in rows if row.outlet == ask.outlet]
    if not wanted:
        raise HTTPException(404, f"this phone doesn't hear {ask.outlet!r}")
    tested = await book.test(wanted[0], by=ask.by)
    return json_answer(_test_view(tested))


async def _own_rows(request: Request, book: Phones, own: Own, device: str) -> list[Phone]:
    """What a phone of one's own hears. Another's is like one that isn't there, but to an administrator."""
    look = partial(book.of, person=None, device=device)
    rows = await anyio.to_thread.run_sync(look, limiter=own.desk_threads)
    caller = caller_of(request)
    if caller is not None and not caller.may(Role.ADMIN):
        rows = [row for row in rows if row.person == cast(str, request.state.by)]
    if not rows:
        raise HTTPException(404, english("no such phone"))
    return list(rows)


def _person(request: Request) -> str | None:
    """Who signed in; a name that nobody vouches for shows nobody's phones."""
    caller = caller_of(request)
    return caller.name if caller is not None and caller.kind == "account" else None


def _view(phone: Phone) -> dict[str, object]:
    return {
        "device": phone.device,
        "outlet": phone.outlet,
        "person": phone.person,
        "since": to_rfc3339(phone.created_at),
    }


def _test_view(tested: Tested) -> dict[str, object]:
    return {
        "outlet": tested.outlet,
        "delivered": tested.delivered,
        "reason": tested.reason,
        "seconds": tested.seconds,
    }
