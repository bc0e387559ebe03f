"""The gate before every call and page: who asks, may they, how often, and what is noted of it.

Closed unless named: a new call needs `read`, or `act` when it changes something, without anybody thinking of
it. A secret in the address is no secret: only the cookie and the ``Authorization`` header count.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from ipaddress import ip_address
from urllib.parse import quote, urlsplit

import anyio
from starlette.datastructures import Headers
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.access import Door, TooMany
from service.access.allowances import ACT, OPEN_STREAM
from service.domain.access import Caller, Deed, Role
from service.language import english
from service.ports import StoreError
from service.web.answers import AWAY, RETRY_AFTER, problem
from service.web.caller import address_of, is_secure, session_in
from service.web.guard import SAFE_METHODS, says_where_from

_THREADS = 16
_OPEN_TO_ALL = frozenset(
    {"/healthz", "/readyz", "/sign-in", "/sign-out", "/manifest.webmanifest", "/sw.js", "/offline"}
)
_STREAM = "/api/v1/stream"
_OWN_NOTICE = re.compile(r"/api/v1/notices/([^/]+)(/(?:take|release|quiet|close))?")
_ONLY_ASKS = frozenset({"/api/v1/labels/read"})
"""What is sent as a change is, because it doesn't fit in an address, and changes nothing."""
_ADMINS = (
    "/api/v1/access",
    "/api/v1/audit",
    "/api/v1/brokers",
    "/api/v1/overheard",
    "/api/v1/sessions",
    "/api/v1/tryout",
    "/sessions",
)
"""What was done and who is in, and what is said at a broker whatever it is."""
_STRANGE = english(
    "refused: this name isn't known to be ours; set web.public_url to the address that people use"
)
NO_ORIGIN = english("refused: the request doesn't say which page it comes from")
SIGN_IN = english("say who you are: sign in on the page, or send a token as `Authorization: Bearer …`")


def needed(method: str, path: str) -> Role | None:
    """The role that a call or page needs; ``None``: open to all."""
    if path in _OPEN_TO_ALL or path.startswith("/static/"):
        return None
    if method in {"GET", "HEAD"} and path.startswith("/notice/"):
        return None  # the page shows nothing to whoever may not read
    if path.startswith(_ADMINS):
        return Role.ADMIN
    return Role.ACT if _changes(method, path) else Role.READ


def _changes(method: str, path: str) -> bool:
    return method not in SAFE_METHODS and path not in _ONLY_ASKS


@dataclass(frozen=True, slots=True, kw_only=True)
class _Found:
    """Who asks: nobody known, where both are ``None``."""

    caller: Caller | None = None
    secret: str | None = None


class Gate:
    """ASGI middleware; plain, because a streaming answer must pass through it piece by piece."""

    def __init__(self, app: ASGIApp, *, door: Door | None, public_url: str | None) -> None:
        self._app = app
        self._door = door
        self._public_url = public_url
        self._threads = anyio.CapacityLimiter(_THREADS)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        door = self._door
        if scope["type"] != "http" or door is None or scope["path"] == "/healthz":
            await self._app(scope, receive, send)
            return
        state = scope.setdefault("state", {})
        role = needed(scope["method"], scope["path"])
        try:
            state["open"] = await self._is_open(door)
            found = _Found() if state["open"] else await self._find(door, scope)
        except (StoreError, TooMany) as trouble:
            if role is not None:
                await _refusal(trouble)(scope, receive, send)
                return
            state["open"], found = False, _Found()
        state["caller"], state["secret"] = found.caller, found.secret
        if state["open"] and self._is_strange(scope):
            await problem(403, _STRANGE)(scope, receive, send)
            return
        if state["open"] or role is None:
            await self._app(scope, receive, send)
            return
        try:
            refusal = self._refuse(door, scope, role, found.caller)
        except TooMany as trouble:  # not noted, or whoever asks often enough rolls the audit over
            await _refusal(trouble)(scope, receive, send)
            return
        await (refusal or self._app)(scope, receive, self._noting(door, scope, found.caller, send))

    def _is_strange(self, scope: Scope) -> bool:
        """Whether a page asks for data or changes something under a name that isn't ours: a site may let its
        own name lead to this machine, and to the browser its page is then no foreign one."""
        headers, path = Headers(scope=scope), scope["path"]
        if scope["method"] in SAFE_METHODS:
            if not (path.startswith("/api/") or path == "/metrics"):
                return False
        elif "origin" not in headers:
            return False
        name = (urlsplit(f"//{headers.get('host', '')}").hostname or "").rstrip(".")
        own = urlsplit(self._public_url or "").hostname
        return "." in name and name != own and not _is_address(name)

    async def _is_open(self, door: Door) -> bool:
        known = door.known_open()
        if known is not None:
            return known
        return await anyio.to_thread.run_sync(door.is_open, limiter=self._threads)

    async def _find(self, door: Door, scope: Scope) -> _Found:
        headers, address = Headers(scope=scope), address_of(scope)
        how, _, bearer = headers.get("authorization", "").partition(" ")
        if how.lower() == "bearer":
            secret: str | None = bearer.strip()
            look = door.by_bearer
        else:
            secret = session_in(headers, secure=is_secure(scope, self._public_url))
            look = door.by_session
        if not secret:
            return _Found()
        kept = secret
        caller = await anyio.to_thread.run_sync(lambda: look(kept, address=address), limiter=self._threads)
        return _Found(caller=caller, secret=kept if caller else None)

    def _refuse(self, door: Door, scope: Scope, role: Role, caller: Caller | None) -> Response | None:
        """The refusal, or ``None``: the caller may. Raises ``TooMany``."""
        if caller is None:
            return _sign_in(scope)
        changes = scope["method"] not in SAFE_METHODS
        if changes:
            door.spend(("act", caller.id), ACT)
        if not (caller.may(role) if caller.notice is None else _is_of_link(scope, caller.notice)):
            return problem(403, f"{caller.name} may not do this: it needs the role `{role}`")
        if scope["path"] == _STREAM:
            door.spend(("stream", caller.id), OPEN_STREAM)
        if changes and caller.kind == "account" and not says_where_from(Headers(scope=scope)):
            return problem(403, NO_ORIGIN)
        return None

    def _noting(self, door: Door, scope: Scope, caller: Caller | None, send: Send) -> Send:
        """``send``, with what was done noted before the answer goes out."""
        if caller is None or not _changes(scope["method"], scope["path"]):
            return send
        known = caller

        async def send_noted(message: Message) -> None:
            if message["type"] == "http.response.start":
                by = scope["state"].get("by")
                deed = Deed(
                    at=door.now(),
                    who=known.name,
                    kind=known.kind,
                    did=f"{scope['method']} {scope['path'][:200]}",
                    by=None if by == known.name else by,
                    answer=message["status"],
                    address=address_of(scope)[:64],
                )
                await anyio.to_thread.run_sync(door.note, deed, limiter=self._threads)
            await send(message)

        return send_noted


def _is_address(name: str) -> bool:
    try:
        ip_address(name)
    except ValueError:
        return False
    return True


def _is_of_link(scope: Scope, notice: str) -> bool:
    """A link opens its one notice: to see it, and what people do with it."""
    found = _OWN_NOTICE.fullmatch(scope["path"])
    if found is None or found[1] != notice:
        return False
    return bool(scope["method"] == ("POST" if found[2] else "GET"))


def _sign_in(scope: Scope) -> Response:
    path = scope["path"]
    wants_page = "text/html" in Headers(scope=scope).get("accept", "")
    if scope["method"] in {"GET", "HEAD"} and wants_page and not path.startswith("/api/"):
        query = scope["query_string"].decode("latin-1")
        back = quote(f"{path}?{query}" if query else path, safe="/")
        return RedirectResponse(f"/sign-in?next={back}", 303)
    return problem(401, SIGN_IN, {"www-authenticate": "Bearer"})


def _refusal(trouble: StoreError | TooMany) -> Response:
    if isinstance(trouble, TooMany):
        return problem(429, str(trouble), {"retry-after": str(trouble.seconds)})
    return problem(503, AWAY, RETRY_AFTER)
