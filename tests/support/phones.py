"""Phones in memory, for tests of what stands on them (they pass the contract suite like the stores), and the
browser at the other end of a push: its keys, its subscription, and what it reads of a message."""

from __future__ import annotations

import base64
import json
import os
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC
from threading import Lock
from typing import Any

from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from service.domain.model import Instant
from service.outlets.push import PushOutlet
from service.outlets.pusher import Pusher
from service.outlets.sealed import signing_by
from service.phonebook import Book
from service.phones import MOST_OF_OUTLET, MOST_OF_PERSON, Full, Phone, Phones, device_of
from tests.support.receivers import Request


@dataclass
class MemoryPhones:
    """``broken`` is raised by every call while it is set."""

    broken: Exception | None = None
    _rows: dict[tuple[str, str], Phone] = field(default_factory=dict)
    _key: bytes | None = None
    _lock: Lock = field(default_factory=Lock)

    def of(self, outlet: str) -> Sequence[Phone]:
        return [phone for phone in self._all() if phone.outlet == outlet]

    def device(self, device: str) -> Sequence[Phone]:
        return [phone for phone in self._all() if phone.device == device]

    def of_person(self, person: str) -> Sequence[Phone]:
        return [phone for phone in self._all() if phone.person == person]

    def counts(self) -> Mapping[str, int]:
        outlets = [phone.outlet for phone in self._all()]
        return {outlet: outlets.count(outlet) for outlet in outlets}

    def add(self, phone: Phone) -> None:
        key = phone.device, phone.outlet
        others = [each for each in self.of(phone.outlet) if (each.device, each.outlet) != key]
        if len(others) >= MOST_OF_OUTLET:
            raise Full(f"{MOST_OF_OUTLET} phones hear {phone.outlet}, more it can't have")
        if sum(each.person == phone.person for each in others) >= MOST_OF_PERSON:
            raise Full(
                f"{phone.person} hears {phone.outlet} on {MOST_OF_PERSON} phones: end one of them first"
            )
        self._rows[key] = phone

    def end(self, device: str, outlet: str | None = None) -> int:
        gone = [row for row in self.device(device) if outlet in (None, row.outlet)]
        for row in gone:
            del self._rows[row.device, row.outlet]
        return len(gone)

    def signing_key(self, make: Callable[[], bytes]) -> bytes:
        self._all()
        with self._lock:
            self._key = self._key or make()
            return self._key

    def _all(self) -> list[Phone]:
        if self.broken is not None:
            raise self.broken
        return [self._rows[key] for key in sorted(self._rows)]


def book_of(phones: Phones, *outlets: str, services: Collection[str] = (), now: Instant = 5) -> Book:
    """What people may ask about ``phones``, of outlets for phones that send to ``services`` too."""
    signing = signing_by(phones, "mailto:line@plant.example")

    def make(name: str) -> PushOutlet:
        return PushOutlet(name, Pusher(signing, services=services), phones=phones, zone=UTC)

    named = dict.fromkeys(outlets or ("phones-l3",), services)
    return Book(
        phones=phones, services=named, signing=signing, make=make, site="Ferrow plant", clock=lambda: now
    )


@dataclass
class Handset:
    """A browser that subscribed at ``endpoint``."""

    endpoint: str
    private: ec.EllipticCurvePrivateKey = field(
        default_factory=lambda: ec.generate_private_key(ec.SECP256R1())
    )
    auth: bytes = field(default_factory=lambda: os.urandom(16))

    @property
    def public(self) -> bytes:
        return self.private.public_key().public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)

    @property
    def device(self) -> str:
        return device_of(self.endpoint)

    @property
    def subscription(self) -> dict[str, Any]:
        """As ``JSON.stringify`` of a browser's PushSubscription gives it."""
        keys = {"p256dh": encoded(self.public), "auth": encoded(self.auth)}
        return {"endpoint": self.endpoint, "expirationTime": None, "keys": keys}

    def row(self, *, outlet: str = "phones-l3", person: str = "Mira", at: Instant = 5) -> Phone:
        return Phone(
            device=self.device,
            outlet=outlet,
            person=person,
            endpoint=self.endpoint,
            p256dh=self.public,
            auth=self.auth,
            created_at=at,
        )

    def read(self, request: Request) -> dict[str, Any]:
        """What a message says, decrypted as a browser does."""
        assert request.headers["content-encoding"] == "aes128gcm"
        said: dict[str, Any] = json.loads(opened(request.body, self.private, self.auth))
        return said


def opened(body: bytes, private: ec.EllipticCurvePrivateKey, auth: bytes) -> bytes:
    """RFC 8291, 3.3 and 3.4, step by step with bare primitives: nothing of what encrypted it is used here."""
    salt, size, length = body[:16], int.from_bytes(body[16:20], "big"), body[20]
    theirs, record = body[21 : 21 + length], body[21 + length :]
    assert len(record) <= size
    own = private.public_key().public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)
    point = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), theirs)
    info = b"WebPush: info\0" + own + theirs
    shared = _derived(private.exchange(ec.ECDH(), point), auth, info, 32)
    key = _derived(shared, salt, b"Content-Encoding: aes128gcm\0", 16)
    nonce = _derived(shared, salt, b"Content-Encoding: nonce\0", 12)
    padded = AESGCM(key).decrypt(nonce, record, None)
    plain, delimiter, _ = padded.rpartition(b"\2")
    assert delimiter == b"\2"
    return plain


def _derived(secret: bytes, salt: bytes, info: bytes, length: int) -> bytes:
    return HKDF(hashes.SHA256(), length, salt, info).derive(secret)


def encoded(data: bytes) -> str:
    """base64url without padding."""
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()
