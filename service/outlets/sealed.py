"""A message that only one browser can read (RFC 8291), and the word that says who sends it (RFC 8292)."""

from __future__ import annotations

import base64
import os
from collections.abc import Callable
from dataclasses import dataclass, field
from urllib.parse import urlsplit

import http_ece
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from py_vapid import Vapid02

from service.domain.model import SECOND, Instant
from service.phones import Phones, origin_of

LARGEST = 3993
"""Bytes of plain text: what push services must take (4096) less header, delimiter and tag."""
_CURVE = ec.SECP256R1()
_TOKEN_LASTS = 12 * 3600
"""Seconds. A push service refuses one of more than 24 hours."""
_RENEWED_BEFORE = 3600
_MOST_TOKENS = 100


def sealed(
    plain: bytes,
    *,
    p256dh: bytes,
    auth: bytes,
    salt: bytes | None = None,
    key: ec.EllipticCurvePrivateKey | None = None,
) -> bytes:
    """``plain`` for the browser with this public key and authentication secret: one record of aes128gcm (RFC
    8188). ``salt`` and ``key`` are made for this message alone unless given. ``ValueError``: no key, or too
    long."""
    if len(plain) > LARGEST:
        raise ValueError(f"a message has at most {LARGEST} bytes")
    sealed_: bytes = http_ece.encrypt(
        plain,
        salt=salt or os.urandom(16),
        private_key=key or ec.generate_private_key(_CURVE),
        dh=p256dh,
        auth_secret=auth,
        version="aes128gcm",
    )
    return sealed_


def check_keys(p256dh: bytes, auth: bytes) -> None:
    """``ValueError`` unless a browser can have made these."""
    if len(auth) != 16:
        raise ValueError("auth has 16 bytes")
    if len(p256dh) != 65 or p256dh[0] != 4:
        raise ValueError("p256dh is an uncompressed point of 65 bytes")
    try:
        ec.EllipticCurvePublicKey.from_encoded_point(_CURVE, p256dh)
    except ValueError:
        raise ValueError("p256dh is no point of P-256") from None


def make_signing_key() -> bytes:
    """A new private key, as it is kept."""
    return ec.generate_private_key(_CURVE).private_numbers().private_value.to_bytes(32, "big")


@dataclass(slots=True)
class Signature:
    """Says to push services who sends: ``kept`` is the private key, ``contact`` says whom to ask."""

    kept: bytes = field(repr=False)
    contact: str
    _signer: Vapid02 = field(init=False, repr=False)
    _tokens: dict[str, tuple[str, int]] = field(init=False, repr=False, default_factory=dict)

    def __post_init__(self) -> None:
        private = ec.derive_private_key(int.from_bytes(self.kept, "big"), _CURVE)
        self._signer = Vapid02(private, conf={"no-strict": True})  # a contact may have a port, or no dot

    @property
    def public(self) -> str:
        """The key that a browser binds its subscription to."""
        point = self._signer.public_key.public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)
        return base64.urlsafe_b64encode(point).rstrip(b"=").decode()

    def header(self, endpoint: str, now: Instant) -> str:
        """``Authorization`` for a message to ``endpoint``. One token serves its whole origin for a while."""
        origin, seconds = origin_of(endpoint), now // SECOND
        token, expires = self._tokens.get(origin, ("", 0))
        if not seconds + _RENEWED_BEFORE < expires <= seconds + _TOKEN_LASTS:
            expires = seconds + _TOKEN_LASTS
            claims = {"aud": origin, "exp": expires, "sub": self.contact}
            token = self._signer.sign(claims)["Authorization"]
            if len(self._tokens) >= _MOST_TOKENS:
                self._tokens.clear()
            self._tokens[origin] = token, expires
        return token


Signing = Callable[[], Signature]
"""The signature, once the store gave its key. It may block and fail."""


def signing_by(phones: Phones, contact: str) -> Signing:
    """With the key that the store keeps; made by whoever needs it first."""
    found: list[Signature] = []

    def sign() -> Signature:
        if not found:
            found.append(Signature(phones.signing_key(make_signing_key), contact))
        return found[0]

    return sign


def contact_of(public_url: str) -> str:
    """Whom a push service may ask where the configuration names nobody: RFC 8292, 2.1 wants an address."""
    host = urlsplit(public_url).hostname
    return f"https://{host}" if host and public_url.startswith("https:") else "mailto:earlybell@localhost"
