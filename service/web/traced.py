"""The outermost layer: gives each request the id by which it is followed, and tells how it ended.

A caller that follows requests of its own sends ``X-Request-ID``, or W3C's ``traceparent``, whose trace id is
taken (https://www.w3.org/TR/trace-context/); what isn't of a sane form is as if it weren't there.
"""

from __future__ import annotations

import re
import time
import uuid
from collections.abc import Callable

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.tracing import REQUEST, Served
from service.web.caller import address_of
from service.web.guard import SAFE_METHODS

REQUEST_ID = "x-request-id"
# No underscore: our own keys have one, and nobody's key is to be told to the log.
_SANE = re.compile(r"[A-Za-z0-9][A-Za-z0-9.:-]{0,63}")
_OF_TRACE = re.compile(r"(?!ff)[0-9a-f]{2}-(?!0{32})([0-9a-f]{32})-(?!0{16})[0-9a-f]{16}-[0-9a-f]{2}(-.*)?")


def request_id(headers: Headers) -> str:
    """That of the caller, else a new one."""
    own = headers.get(REQUEST_ID, "")
    if _SANE.fullmatch(own):
        return own
    traced = _OF_TRACE.fullmatch(headers.get("traceparent", ""))
    return traced[1] if traced else uuid.uuid4().hex


class Traced:
    """ASGI middleware; plain, because a streaming answer must pass through it piece by piece."""

    def __init__(self, app: ASGIApp, *, served: Callable[[Served], None]) -> None:
        self._app = app
        self._served = served

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        request, began = request_id(Headers(scope=scope)), time.monotonic()
        REQUEST.set(request)
        state = scope.setdefault("state", {})
        state["request"] = request
        told = False

        def tell(answer: int | None) -> None:
            nonlocal told
            told = True
            self._served(_served(scope, request, answer, time.monotonic() - began))

        async def send_traced(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message)[REQUEST_ID] = request
                tell(message["status"])
            await send(message)

        try:
            await self._app(scope, receive, send_traced)
        except Exception:
            if not told:
                tell(500)
            raise
        finally:
            if not told:
                tell(None)


def _served(scope: Scope, request: str, answer: int | None, seconds: float) -> Served:
    caller, by = scope["state"].get("caller"), scope["state"].get("by")
    return Served(
        request=request,
        method=scope["method"],
        path=scope["path"],
        answer=answer,
        seconds=seconds,
        changes=scope["method"] not in SAFE_METHODS,
        who=None if caller is None else caller.name,
        kind=None if caller is None else caller.kind,
        by=None if by is None or (caller is not None and by == caller.name) else by,
        address=address_of(scope)[:64],
    )
