"""Builds an outlet from the plain values of one ``[[outlet]]`` in the configuration."""

from __future__ import annotations

from collections.abc import Sequence
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from service.outlets.chat import ChatOutlet
from service.outlets.email import EmailOutlet
from service.outlets.links import Key
from service.outlets.network import Resolve, Way, look_up
from service.outlets.webhook import WebhookOutlet
from service.ports import Outlet


class OutletError(ValueError):
    """An outlet can't work as it is configured; the text says which outlet and key, and never a secret."""


def build_outlet(
    *,
    name: str,
    type: str,  # noqa: A002 (the configuration's own key)
    url: str | None = None,
    secret: str | Sequence[str] = (),
    to: str | Sequence[str] = (),
    from_: str | None = None,
    smtp_url: str | None = None,
    template: str | None = None,
    site: str = "",
    public_url: str = "",
    timezone: str = "UTC",
    ca_file: str | None = None,
    allow: Sequence[str] = (),
    resolve: Resolve = look_up,
    key: Key | None = None,
) -> Outlet:
    """The outlet; ``key`` gives what its links carry. Raises ``OutletError``."""
    try:
        way = Way(ca_file=ca_file, allow=tuple(allow), resolve=resolve)
        if type == "webhook":
            secrets = [secret] if isinstance(secret, str) else secret
            return WebhookOutlet(name, _needed("url", url), site=site, secrets=secrets, way=way)
        if type == "chat":
            return ChatOutlet(
                name,
                _needed("url", url),
                site=site,
                public_url=public_url,
                zone=_zone(timezone),
                template=template,
                way=way,
                key=key,
            )
        if type == "email":
            return EmailOutlet(
                name,
                _needed("smtp_url", smtp_url),
                to=[to] if isinstance(to, str) else to,
                from_=_needed("from", from_),
                public_url=public_url,
                zone=_zone(timezone),
                way=way,
                key=key,
            )
    except ValueError as error:
        raise OutletError(f"outlet {name!r}: {error}") from None
    raise OutletError(f'outlet {name!r}: type must be "webhook", "chat" or "email", not {type!r}')


def _needed(key: str, value: str | None) -> str:
    if not value:
        raise ValueError(f"{key} is missing")
    return value


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(f"timezone {name!r} isn't known") from None
