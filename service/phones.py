"""Phones that hear an outlet by Web Push: what is kept of them, and where a browser may ask us to send.

Nothing here does anything. An endpoint is its person's secret: whoever knows it may send to it. It comes from
a browser, so from anybody who may act; hence what it may name is narrower than what a configuration may.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol
from urllib.parse import SplitResult, urlsplit

from service.domain.model import Instant
from service.hosts import check_host, literal
from service.outgoing import Tested

MOST_OF_OUTLET = 200
MOST_OF_PERSON = 10
LONGEST_ENDPOINT = 1500
"""Characters; those of the large push services have 150 to 600."""
_PORTS = {"https": 443, "http": 80}


@dataclass(frozen=True, slots=True, kw_only=True)
class Phone:
    """One browser that hears one outlet. ``p256dh`` (RFC 8291: 65 bytes) and ``auth`` (16) encrypt for it;
    ``person`` is who said so; ``language`` is that of its texts, ``None``: the site's."""

    device: str
    outlet: str
    person: str
    endpoint: str = field(repr=False)
    p256dh: bytes = field(repr=False)
    auth: bytes = field(repr=False)
    created_at: Instant
    language: str | None = None


class Full(Exception):
    """No more phones fit; the text says whose there are too many."""


class Phones(Protocol):
    """Safe from any thread and any process. Every call may raise ``StoreError``."""

    def of(self, outlet: str) -> Sequence[Phone]:
        """Those that hear ``outlet``, by device."""
        ...

    def counts(self) -> Mapping[str, int]:
        """Outlet → how many phones hear it; outlets that none hears aren't there."""
        ...

    def device(self, device: str) -> Sequence[Phone]:
        """All rows of one device, by outlet."""
        ...

    def of_person(self, person: str) -> Sequence[Phone]:
        """All rows of one person, by device and outlet."""
        ...

    def add(self, phone: Phone) -> None:
        """Keep it, in place of the row of the same device and outlet. Raises ``Full``: an outlet has
        ``MOST_OF_OUTLET``, a person hears it on ``MOST_OF_PERSON``."""
        ...

    def end(self, device: str, outlet: str | None = None) -> int:
        """Forget the device, or only that it hears ``outlet``; how many rows went."""
        ...

    def signing_key(self, make: Callable[[], bytes]) -> bytes:
        """The private key that says to push services who sends; of the first call ever, whoever made it."""
        ...


class Phonebook(Protocol):
    """What people may ask about their phones; safe from any thread. Every call may raise ``StoreError``."""

    def outlets(self) -> Mapping[str, int]:
        """The outlets for phones, as configured, and how many phones hear each."""
        ...

    def public_key(self) -> str:
        """The key that a browser binds its subscription to, as base64url."""
        ...

    def of(self, *, person: str | None, device: str | None) -> Sequence[Phone]:
        """The rows of a person and of a device, each once."""
        ...

    def subscribe(self, phone: Phone, *, instead_of: str | None = None) -> None:
        """Keep it; ``instead_of``: a device that it was until now. Raises ``KeyError``: no such outlet for
        phones, ``ValueError``: its endpoint or keys can't be a browser's, ``Full``."""
        ...

    def end(self, device: str, outlet: str | None = None) -> int:
        """How many outlets it no longer hears."""
        ...

    async def test(self, phone: Phone, *, by: str) -> Tested:
        """Send it a message that says that it is a test; within 20 s."""
        ...


def device_of(endpoint: str) -> str:
    """What a device is called where its endpoint must not be said."""
    return hashlib.sha256(endpoint.encode()).hexdigest()[:32]


def origin_of(url: str) -> str:
    """Scheme, host and port (where it isn't the usual one): RFC 6454, 6.1, and ``aud`` of RFC 8292."""
    parts = urlsplit(url)
    host, port = parts.hostname or "", parts.port
    named = f"[{host}]" if ":" in host else host
    return f"{parts.scheme}://{named}" + ("" if port in (None, _PORTS.get(parts.scheme)) else f":{port}")


def check_endpoint(endpoint: str, services: Collection[str] = ()) -> None:
    """``ValueError`` unless it is an https address by name on the usual port, or of one of ``services``: the
    origins of push services that the configuration names. The text doesn't repeat it."""
    if len(endpoint) > LONGEST_ENDPOINT:
        raise ValueError(f"has more than {LONGEST_ENDPOINT} characters")
    if not (endpoint.isascii() and endpoint.isprintable()) or " " in endpoint or "\\" in endpoint:
        raise ValueError("holds a character that no address holds")
    try:
        parts = urlsplit(endpoint)
        port = parts.port
    except ValueError:
        raise ValueError("is not a well-formed address") from None
    if "@" in parts.netloc or parts.fragment:
        raise ValueError("carries a user, a password or a fragment")
    if origin_of(endpoint) not in services:
        _check_public(parts, port)


def _check_public(parts: SplitResult, port: int | None) -> None:
    if parts.scheme != "https" or not parts.hostname:
        raise ValueError("is no https:// address")
    if port not in (None, 443):
        raise ValueError("names a port that no public push service has")
    check_host(parts.hostname)
    if literal(parts.hostname) is not None or "." not in parts.hostname.rstrip("."):
        raise ValueError("names no public host")
