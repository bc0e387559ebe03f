"""One HTTP POST to a configured address, with a hard end, and what its outcome means for a delivery.

The address is a secret (chat hooks carry their key in it): it is in no reason, log or ``repr``.
"""

from __future__ import annotations

import asyncio
import contextlib
import email.utils
import http
import logging
import ssl
from collections.abc import Mapping
from datetime import UTC
from typing import Literal
from urllib.parse import urlsplit

import httpcore
import httpx

from service.domain.model import Instant, to_datetime
from service.outlets.network import CheckedNetwork, Destination, Way
from service.outlets.reasons import network_reason
from service.ports import Delivered, Failed
from service.tls import client_context

DEADLINE = 15.0
"""Seconds for one attempt, from the name look-up to the status line. httpx's own timeouts bound single reads
only: a receiver that sends a byte a second never meets them."""
REPLY_BYTES = 4096
REPLY_SECONDS = 1.0
"""What a reply's body may take. Nothing in it matters; read to its end, the connection serves again."""

Method = Literal["GET", "POST"]


class Post:
    """A place that takes requests, for one event loop. Raises ``ValueError`` when ``url`` is none."""

    def __init__(
        self,
        url: str,
        *,
        deadline: float = DEADLINE,
        way: Way | None = None,
        trusted: ssl.SSLContext | None = None,
        method: Method = "POST",
    ) -> None:
        """``trusted`` is what ``way`` trusts, where that was read before: reading it takes a while."""
        self._url = _checked(url)
        self._method = method
        self._deadline = deadline
        way = way or Way()
        port = self._url.port or (443 if self._url.scheme == "https" else 80)
        try:
            destination = Destination(self._url.raw_host.decode(), port, way)
        except ValueError as error:
            raise ValueError(f"url {error}") from None
        self._client = httpx.AsyncClient(
            transport=_Transport(destination, trusted or trusted_by(way)),
            follow_redirects=False,
            trust_env=False,
            timeout=deadline,
        )
        # It logs every request with its address.
        for name in ("httpx", "httpcore"):
            logging.getLogger(name).setLevel(logging.WARNING)

    async def send(self, body: bytes, *, headers: Mapping[str, str], now: Instant) -> Delivered | Failed:
        """Never raises, but for being cancelled."""
        response = await self.answer(body, headers=headers)
        return response if isinstance(response, Failed) else judged(response, now)

    async def answer(
        self, body: bytes, *, headers: Mapping[str, str], to: str | None = None
    ) -> httpx.Response | Failed:
        """What the receiver says, or why nothing was heard; never raises. ``to``: another address of the same
        host and port."""
        try:
            async with asyncio.timeout(self._deadline):
                return await self._ask(body, headers, self._url if to is None else _checked(to))
        except TimeoutError:
            return Failed(f"no answer within {self._deadline:g} s", away=True)
        except Exception as error:
            unconnected = isinstance(error, httpx.ConnectError | httpx.ConnectTimeout)
            return Failed(_reason(error), untouched=unconnected, away=unconnected)

    async def _ask(self, body: bytes, headers: Mapping[str, str], to: httpx.URL) -> httpx.Response:
        request = self._client.build_request(self._method, to, content=body, headers=dict(headers))
        response = await self._client.send(request, stream=True)
        try:
            await _read_a_little(response)
        finally:
            await response.aclose()
        return response

    async def close(self) -> None:
        await self._client.aclose()


class _Transport(httpx.AsyncHTTPTransport):
    """The library's own, over a network that checks; it offers no public way to hand one in."""

    def __init__(self, destination: Destination, trusted: ssl.SSLContext) -> None:
        super().__init__(verify=trusted)
        self._pool = httpcore.AsyncConnectionPool(
            ssl_context=trusted, network_backend=CheckedNetwork(destination)
        )


def trusted_by(way: Way) -> ssl.SSLContext:
    """The authorities that ``way`` trusts."""
    if way.ca_file is not None:
        return client_context(way.ca_file)
    trusted = httpx.create_ssl_context(trust_env=False)  # public ones, also where the system knows none
    trusted.minimum_version = ssl.TLSVersion.TLSv1_2
    trusted.load_default_certs()  # the plant's own authority, where the system knows one
    return trusted


def _checked(url: str) -> httpx.URL:
    try:
        parsed = httpx.URL(url)
    except (httpx.InvalidURL, TypeError):
        parsed = httpx.URL("")
    # A host with characters that no host has comes out percent-encoded.
    good_host = parsed.host != "" and "%" not in parsed.host
    good_port = parsed.port is None or 0 < parsed.port < 65536
    if parsed.scheme not in {"http", "https"} or not good_host or not good_port:
        raise ValueError("url must be an http:// or https:// address with a host")
    if _is_two_faced(url, parsed):
        raise ValueError("url can be read in two ways (one @ at most, no \\, user and password together)")
    return parsed


def _is_two_faced(url: str, parsed: httpx.URL) -> bool:
    """Whether a reader may take another host for the one that is meant."""
    plain = urlsplit(url)
    other_host = parsed.host.isascii() and (plain.hostname or "") != parsed.host
    lone_user = plain.username is not None and plain.password is None
    return other_host or lone_user or "\\" in url or plain.netloc.count("@") > 1


async def _read_a_little(response: httpx.Response) -> None:
    """To the body's end when that is near. The status line has decided already: nothing here is an error."""
    with contextlib.suppress(httpx.HTTPError, TimeoutError):
        async with asyncio.timeout(REPLY_SECONDS):
            size = 0
            async for piece in response.aiter_raw():
                size += len(piece)
                if size >= REPLY_BYTES:
                    return


def judged(response: httpx.Response, now: Instant) -> Delivered | Failed:
    """What an answer means for a delivery."""
    status = response.status_code
    if 200 <= status < 300:
        return Delivered()
    reason = f"answered {status}"
    with contextlib.suppress(ValueError):
        reason += f" {http.HTTPStatus(status).phrase}"
    asked = _retry_after(response.headers.get("retry-after"), now) if status in {429, 503} else None
    # A gateway's 502 and 504 say nothing about what the receiver behind it did.
    untouched = status not in {502, 504}
    away = status in {429, 502, 503, 504}
    return Failed(reason, retry_after=asked, final=status == 410, untouched=untouched, away=away)


def _retry_after(value: str | None, now: Instant) -> float | None:
    """RFC 9110, 10.2.3: seconds or a date; ``None`` when it is neither or lies in the past."""
    if value is None:
        return None
    try:
        seconds = float(value)
    except ValueError:
        try:
            date = email.utils.parsedate_to_datetime(value)
        except (ValueError, OverflowError):
            return None
        seconds = (date.replace(tzinfo=date.tzinfo or UTC) - to_datetime(now)).total_seconds()
    return seconds if seconds >= 0 else None


def _reason(error: Exception) -> str:
    if reason := network_reason(error):
        return reason
    if isinstance(error, httpx.ConnectError | httpx.ConnectTimeout):
        return "can't connect"
    if isinstance(error, httpx.TransportError):
        return "connection lost before an answer"
    return f"unexpected {type(error).__name__}"
