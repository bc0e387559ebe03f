"""What every answer carries and what every change must show: security headers, and no orders from elsewhere.

A page of another site must not be able to press our buttons in somebody's browser, so a changing request that
names a foreign origin is refused before it reaches a call. So is a head of a size that nothing of ours sends.
"""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

SECURITY_HEADERS = {
    "content-security-policy": (
        "default-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'self'; object-src 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "x-frame-options": "DENY",
    "permissions-policy": "camera=(self), geolocation=(), microphone=(), payment=(), usb=()",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}
STRICT_TRANSPORT = "max-age=31536000"
"""Said over TLS only (RFC 6797, 7.2), of this host alone: others of the plant aren't our business."""
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
LARGEST_HEAD = 16 * 1024
_DEFAULT_PORTS = {"http": 80, "https": 443}


class Guard:
    """ASGI middleware; plain, because a streaming answer must pass through it piece by piece."""

    def __init__(self, app: ASGIApp, *, public_url: str | None) -> None:
        self._app = app
        self._public = _host_of(public_url) if public_url else None

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in SECURITY_HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("cache-control", "no-store")
                if scope["scheme"] == "https":
                    headers.setdefault("strict-transport-security", STRICT_TRANSPORT)
            await send(message)

        answer = self._refusal(scope) or self._app
        await answer(scope, receive, send_guarded)

    def _refusal(self, scope: Scope) -> JSONResponse | None:
        if _length_of_head(scope) > LARGEST_HEAD:
            return JSONResponse({"detail": f"the head has more than {LARGEST_HEAD} bytes"}, 431)
        if scope["method"] not in SAFE_METHODS and self._is_foreign(Headers(scope=scope)):
            return JSONResponse({"detail": "refused: the request comes from a page of another site"}, 403)
        return None

    def _is_foreign(self, headers: Headers) -> bool:
        """Whether a browser says that another site's page sent this. Other clients send neither header."""
        if headers.get("sec-fetch-site") in {"cross-site", "same-site"}:
            return True
        origin = headers.get("origin")
        if origin is None:
            return False
        sender = _host_of(origin)
        own = {_host_of(f"{origin.partition(':')[0]}://{headers.get('host', '')}"), self._public}
        return sender is None or sender not in own


def says_where_from(headers: Mapping[str, str]) -> bool:
    """Whether a browser says which page sent this, as each does with a change; the guard has seen that it is
    ours."""
    return "origin" in headers or headers.get("sec-fetch-site") == "same-origin"


def _length_of_head(scope: Scope) -> int:
    return len(scope["path"]) + len(scope["query_string"]) + sum(len(n) + len(v) for n, v in scope["headers"])


def _host_of(url: str) -> tuple[str, int | None] | None:
    """Host and port, the scheme's own port where none is named; ``None`` when there is no host."""
    try:
        parts = urlsplit(url)
        return (parts.hostname, parts.port or _DEFAULT_PORTS.get(parts.scheme)) if parts.hostname else None
    except ValueError:
        return None
