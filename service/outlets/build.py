"""Builds an outlet from the plain values of one ``[[outlet]]`` in the configuration."""

from __future__ import annotations

from collections.abc import Sequence
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from service.domain.traffic import MOST_IN_TEN_MINUTES, pace_for_people
from service.language import ENGLISH, Language
from service.outlets.chat import ChatOutlet
from service.outlets.email import EmailOutlet
from service.outlets.links import Key
from service.outlets.network import Resolve, Way, look_up
from service.outlets.other import OtherOutlet
from service.outlets.push import PushOutlet
from service.outlets.pusher import Pusher
from service.outlets.sealed import Signature, contact_of, signing_by
from service.outlets.webhook import WebhookOutlet
from service.phones import Phones
from service.ports import Outlet, StoreError


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
    contact: str | None = None,
    ttl: int = 3600,
    services: Sequence[str] = (),
    urls: Sequence[str] = (),
    phones: Phones | None = None,
    language: Language = ENGLISH,
    most_in_ten_minutes: int = MOST_IN_TEN_MINUTES,
) -> Outlet:
    """The outlet; ``key`` gives what its links carry, ``phones`` who hears it. Raises ``OutletError``."""
    pace = pace_for_people(most_in_ten_minutes)
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
                language=language,
                pace=pace,
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
                language=language,
                pace=pace,
            )
        if type == "push":
            signing = _no_store if phones is None else signing_by(phones, contact or contact_of(public_url))
            return PushOutlet(
                name,
                Pusher(signing, services=services, way=way),
                phones=phones,
                public_url=public_url,
                zone=_zone(timezone),
                ttl=ttl,
                key=key,
                language=language,
                pace=pace,
            )
        if type == "other":
            return OtherOutlet(
                name,
                urls,
                public_url=public_url,
                zone=_zone(timezone),
                key=key,
                language=language,
                pace=pace,
            )
    except ValueError as error:
        raise OutletError(f"outlet {name!r}: {error}") from None
    raise OutletError(
        f'outlet {name!r}: type must be "webhook", "chat", "email", "push" or "other", not {type!r}'
    )


def _no_store() -> Signature:
    raise StoreError("there is no store")


def _needed(key: str, value: str | None) -> str:
    if not value:
        raise ValueError(f"{key} is missing")
    return value


def _zone(name: str) -> ZoneInfo:
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(f"timezone {name!r} isn't known") from None
