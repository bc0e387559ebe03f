"""Reads the mail addresses and the server's address of the configuration; says what is wrong with them."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from email.headerregistry import Address
from urllib.parse import unquote, urlsplit

from service.outlets.escape import plain

_SPEC = r"[\w.!#$%&'*+/=?^`{|}~-]+@[a-z0-9](?:[a-z0-9.-]*[a-z0-9])?"
_ADDRESS = re.compile(
    rf'"?(?P<name>[^"<>\x00-\x1f]*?)"?\s*<(?P<named>{_SPEC})>|(?P<bare>{_SPEC})', re.ASCII | re.IGNORECASE
)
_PORTS = {"smtp": 25, "smtps": 465, "smtp+starttls": 587}


@dataclass(frozen=True, slots=True, kw_only=True)
class MailServer:
    host: str
    port: int
    user: str | None
    password: str | None = field(repr=False)
    tls: bool
    starttls: bool


def mail_address(text: str, key: str) -> Address:
    """``a@b.example`` or ``Name <a@b.example>``, and nothing that a lenient reader would make one of."""
    found = _ADDRESS.fullmatch(text.strip())
    if found is None:
        raise ValueError(f"{key}: {text!r} is no mail address (ASCII; write a domain in its xn-- form)")
    user, _, domain = (found["named"] or found["bare"]).rpartition("@")
    name = plain(found["name"] or "").replace("=?", "= ?")  # the library would decode it
    return Address(display_name=name, username=user, domain=domain)


def mail_server(url: str) -> MailServer:
    """What is wrong is said without saying the URL: a password may stand in it."""
    advice = "smtp_url must be smtp://, smtps:// or smtp+starttls://[user:password@]host[:port]"
    try:
        parts = urlsplit(url)
        port = parts.port
    except ValueError:
        raise ValueError(f"{advice}; its host or port can't be read") from None
    if parts.scheme not in _PORTS or not parts.hostname:
        raise ValueError(advice)
    if (parts.username is None) != (parts.password is None):
        raise ValueError(f"{advice}; user and password go together")
    return MailServer(
        host=parts.hostname,
        port=port or _PORTS[parts.scheme],
        user=None if parts.username is None else unquote(parts.username),
        password=None if parts.password is None else unquote(parts.password),
        tls=parts.scheme == "smtps",
        starttls=parts.scheme == "smtp+starttls",
    )
