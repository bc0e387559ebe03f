"""What the calls are given: the ports behind the application, and a request's body, read within bounds."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Annotated, Any, TypeVar, cast

import anyio
from fastapi import Depends
from pydantic import BaseModel
from starlette.exceptions import HTTPException
from starlette.requests import Request

from service.access import Door
from service.desk import Desk, Exchanging, LotReading, Reading
from service.domain.labels import LabelPattern
from service.outgoing import WaysOut
from service.phones import Phonebook
from service.reviewing import Reviewing
from service.sent import Budgeting
from service.web.caller import in_own_name
from service.web.stream import Hub

LARGEST_BODY = 64 * 1024
DESK_THREADS = 16
"""A store that doesn't answer holds each change for 5 s; own threads keep reading alive meanwhile."""


Asked = TypeVar("Asked", bound=BaseModel)
Answer = TypeVar("Answer")


@dataclass(frozen=True, slots=True, kw_only=True)
class Behind:
    """Everything the calls need; kept at ``app.state.behind``."""

    reading: Reading
    desk: Desk
    hub: Hub
    metrics: Callable[[], bytes]
    desk_threads: anyio.CapacityLimiter
    door: Door | None = None
    session_check_seconds: float = 5.0
    ways: WaysOut | None = None
    phones: Phonebook | None = None
    budget: Budgeting | None = None
    labels: tuple[LabelPattern, ...] = ()
    exchanging: Exchanging | None = None
    lots: LotReading | None = None
    reviews: Reviewing | None = None

    async def at_desk(self, call: Callable[[Desk], Answer]) -> Answer:
        """What ``call`` gives, without blocking the event loop."""
        return await anyio.to_thread.run_sync(call, self.desk, limiter=self.desk_threads)


async def _behind(request: Request) -> Behind:
    return cast(Behind, request.app.state.behind)


async def read_body(request: Request) -> bytes:
    """The whole body; 413 as soon as it is known to exceed ``LARGEST_BODY``."""
    body = bytearray()
    async for piece in request.stream():
        body += piece
        if len(body) > LARGEST_BODY:
            raise HTTPException(413, f"the body has more than {LARGEST_BODY} bytes")
    return bytes(body)


async def said_body(request: Request) -> bytes:
    """The body of a change, in the name of who asks."""
    return in_own_name(request, await read_body(request))


def asked(model: type[Asked]) -> Callable[[Request], Awaitable[Asked]]:
    """A dependency: the body as ``model``, whatever its content type says (curl's default is a form)."""

    async def read(request: Request) -> Asked:
        return model.model_validate_json(await said_body(request))

    return read


def body_of(model: type[BaseModel]) -> dict[str, Any]:
    """The OpenAPI text of a body that ``asked`` reads."""
    content = {"application/json": {"schema": model.model_json_schema()}}
    return {"requestBody": {"required": True, "content": content}}


Own = Annotated[Behind, Depends(_behind)]
Body = Annotated[bytes, Depends(said_body)]
