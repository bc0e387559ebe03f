"""What secrets look like and how they are compared: 256 random bits as text, kept as their SHA-256.

No salt and no slow hash: nobody guesses 256 bits, and a fast hash can be looked up by an index.
"""

from __future__ import annotations

import hashlib
import secrets
import unicodedata

TOKEN_BEGINS = "eb_"  # noqa: S105 - no secret, only how one begins
LINK_BEGINS = "el_"
"""The beginning says what it is, to us and to whoever scans files for secrets."""
_LENGTH = 43


def make(prefix: str = "") -> str:
    return prefix + secrets.token_urlsafe(32)


def digest(secret: str) -> bytes:
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).digest()


def is_made_here(secret: str, prefix: str = "") -> bool:
    """Whether it has the form of ``make``: all else needs no look into the store."""
    return secret.isascii() and secret.startswith(prefix) and len(secret) == len(prefix) + _LENGTH


def name_key(name: str) -> str:
    """A person's name as it is compared: phones like to begin it with a capital letter."""
    return unicodedata.normalize("NFKC", name).strip().casefold()
