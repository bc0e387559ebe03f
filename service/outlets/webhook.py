"""Notices for machines: CloudEvents 1.0, structured JSON, by HTTP POST, signed as Standard Webhooks asks."""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
from collections.abc import Sequence
from urllib.parse import quote

import msgspec

from service.domain.model import SECOND, Instant, Notice
from service.domain.sayings import SAYINGS
from service.domain.traffic import Pace
from service.outgoing import Shown
from service.outlets.network import Way
from service.outlets.post import DEADLINE, Post
from service.ports import Delivered, Delivery, Failed
from service.usecases.deliver import Telling, telling


class WebhookOutlet:
    """POSTs each change of a notice. Of several secrets each signs, so that a receiver may change over in its
    own time. Raises ``ValueError`` when ``url`` or a secret can't be used."""

    # Programs read it: wide enough that the first attempt of a change begins within a second of its commit.
    pace = Pace(rate=50.0, burst=200, fresh=2000)
    bundles = False

    def __init__(
        self,
        name: str,
        url: str,
        *,
        site: str,
        secrets: Sequence[str] = (),
        deadline: float = DEADLINE,
        way: Way | None = None,
    ) -> None:
        self.name = name
        self._post = Post(url, deadline=deadline, way=way)
        self._source = f"/earlybell/{quote(site, safe='')}" if site else "/earlybell"
        self._secrets = [_secret(each) for each in secrets]

    async def send(self, delivery: Delivery, *, now: Instant) -> Delivered | Failed:
        told = telling(delivery)
        event_id = _event_id(delivery, told)
        body = msgspec.json.encode(self._event(event_id, told))
        return await self._post.send(body, headers=self._headers(event_id, body, now), now=now)

    async def show(self, deliveries: Sequence[Delivery], *, now: Instant) -> Shown:
        """What would be sent of the first; the signature is left out."""
        told = telling(deliveries[0])
        event_id = _event_id(deliveries[0], told)
        headers = self._headers(event_id, b"", now)
        shown = [(name, "v1,…" if name == "webhook-signature" else value) for name, value in headers.items()]
        body = msgspec.json.format(msgspec.json.encode(self._event(event_id, told)), indent=2)
        return Shown(headers=shown, text=body.decode())

    async def close(self) -> None:
        await self._post.close()

    def _event(self, event_id: str, told: Telling) -> dict[str, object]:
        event: dict[str, object] = {
            "specversion": "1.0",
            "id": event_id,
            "source": self._source,
            "type": _type(told),
            "subject": _subject(told.notice),
            "time": told.notice.changed_at,
            "datacontenttype": "application/json",
            "data": told.notice,
        }
        if told.replaces is not None:
            event["replaces"] = told.replaces
        return event

    def _headers(self, event_id: str, body: bytes, now: Instant) -> dict[str, str]:
        headers = {
            "content-type": "application/cloudevents+json",
            "user-agent": "earlybell",
            "webhook-id": event_id,
            "webhook-timestamp": str(now // SECOND),
        }
        if self._secrets:
            signed = f"{event_id}.{now // SECOND}.".encode() + body
            headers["webhook-signature"] = " ".join(_signature(each, signed) for each in self._secrets)
        return headers


def _type(told: Telling) -> str:
    """``earlybell.notice.…``; what is no notice has a type that programs may pass over."""
    kind = told.notice.kind
    return f"earlybell.{kind}" if kind in SAYINGS else f"earlybell.notice.{told.change.value}"


def _signature(secret: bytes, signed: bytes) -> str:
    """Standard Webhooks 1.0.0, symmetric."""
    return "v1," + base64.b64encode(hmac.new(secret, signed, hashlib.sha256).digest()).decode()


def _event_id(delivery: Delivery, told: Telling) -> str:
    """The delivery's key, at every attempt. Only where an earlier attempt may have arrived that told another
    version, the id says which: receivers drop what they have seen under one id. One version has one id."""
    key = quote(delivery.key, safe=":~").replace(".", "%2E")
    same = delivery.tried in (None, told.notice.version)
    return key if same else f"{key}:now{told.notice.version}"


def _subject(notice: Notice) -> str:
    """``line/station/slot``, each percent-encoded: safe in a header and in an address."""
    return "/".join(quote(part, safe="") for part in (notice.line, notice.station, notice.slot) if part)


def _secret(text: str) -> bytes:
    """The 24 to 64 bytes of a ``whsec_`` secret. What is wrong is said without saying the secret."""
    advice = "secret must be whsec_ and the base64 of 24 to 64 random bytes"
    try:
        secret = base64.b64decode(text.removeprefix("whsec_"), validate=True)
    except (binascii.Error, ValueError):
        raise ValueError(f"{advice}; it isn't base64") from None
    if not 24 <= len(secret) <= 64:
        raise ValueError(f"{advice}; it has {len(secret)} bytes")
    return secret
