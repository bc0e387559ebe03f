"""What a request knows of who sent it, and the cookie that carries a session.

The gate writes these facts once; calls and pages read them here. Without a gate, or with an open one, nobody
needs to say who they are.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlsplit

import msgspec
from starlette.exceptions import HTTPException
from starlette.requests import HTTPConnection, cookie_parser
from starlette.responses import Response
from starlette.types import Scope

from service.domain.access import SESSION_LASTS, Caller
from service.domain.model import SECOND

_LONGEST_GIVEN = 160


def caller_of(request: HTTPConnection) -> Caller | None:
    """Who asks; ``None`` where nobody needs to say so, and on the few pages that are open to all."""
    caller: Caller | None = getattr(request.state, "caller", None)
    return caller


def is_open(request: HTTPConnection) -> bool:
    """Whether nobody needs to say who they are."""
    return bool(getattr(request.state, "open", True))


def may_read(request: HTTPConnection) -> bool:
    caller = caller_of(request)
    return is_open(request) or (caller is not None and caller.notice is None)


def secret_of(request: HTTPConnection) -> str | None:
    """The secret that the caller was let in with."""
    secret: str | None = getattr(request.state, "secret", None)
    return secret


def address_of(scope: Scope) -> str:
    """The client's address, as the server or a trusted proxy says it."""
    client = scope.get("client")
    return str(client[0]) if client else ""


def in_own_name(request: HTTPConnection, body: bytes) -> bytes:
    """The body with ``by`` as the server knows it: an account's or token's own name, whatever it says.

    A token that may speak for others keeps the name it gives; a link's holder proves no name, so the link is
    named beside it.
    """
    caller = caller_of(request)
    if caller is None:
        return body
    try:
        fields = msgspec.json.decode(body, type=dict[str, msgspec.Raw])
        given = msgspec.json.decode(fields.get("by", b"null"))
    except (msgspec.MsgspecError, RecursionError, UnicodeDecodeError) as error:
        # Not left to who reads it next: what passes for JSON there, such as NaN, would name whom it likes.
        raise HTTPException(422, f"the body must be a JSON object: {error}") from None
    request.state.by = by = _by(caller, given)
    return msgspec.json.encode(fields | {"by": by})


def _by(caller: Caller, given: object) -> str:
    name = given.strip()[:_LONGEST_GIVEN] if isinstance(given, str) and caller.others else ""
    if not name:
        return caller.name
    return f"{name} ({caller.name})" if caller.kind == "link" else name


def is_secure(scope: Scope, public_url: str | None) -> bool:
    """Whether browsers reach us by https only."""
    return scope.get("scheme") == "https" or urlsplit(public_url or "").scheme == "https"


def _cookie_name(secure: bool) -> str:
    """The prefix makes browsers refuse one that another host or a plain connection has set."""
    return "__Host-earlybell" if secure else "earlybell"


def session_in(headers: Mapping[str, str], *, secure: bool) -> str | None:
    return cookie_parser(headers.get("cookie", "")).get(_cookie_name(secure))


def give_session(response: Response, secret: str, *, secure: bool) -> None:
    response.set_cookie(
        _cookie_name(secure), secret, max_age=SESSION_LASTS // SECOND, **_flags(secure=secure)
    )


def take_session(response: Response, *, secure: bool) -> None:
    response.delete_cookie(_cookie_name(secure), **_flags(secure=secure))


def _flags(*, secure: bool) -> dict[str, Any]:
    return {"path": "/", "secure": secure, "httponly": True, "samesite": "lax"}
