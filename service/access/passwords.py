"""Passwords as hashes: argon2id with the library's parameters, which follow RFC 9106 (64 MiB, three passes).

A check takes as long for a name that nobody has: it is made against a hash of nothing.
"""

from __future__ import annotations

import unicodedata
from threading import Semaphore

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

SHORTEST = 10
LONGEST = 256
AT_ONCE = 2
"""Checks at the same time: each takes 64 MiB, and who guesses in parallel must not take the memory."""


class Passwords:
    """Makes and checks hashes; ``hasher`` with lower costs is for tests."""

    def __init__(self, hasher: PasswordHasher | None = None) -> None:
        self._hasher = PasswordHasher() if hasher is None else hasher
        self._nobody = ""
        self._turns = Semaphore(AT_ONCE)

    def hash(self, password: str) -> str:
        return self._hasher.hash(_normal(password))

    def fits(self, password: str, hashed: str | None) -> bool:
        """Whether it is the one; without a hash it never is, after the same work."""
        with self._turns:
            self._nobody = self._nobody or self._hasher.hash("nobody")
            try:
                self._hasher.verify(hashed or self._nobody, _normal(password[: LONGEST + 1]))
            except (VerificationError, InvalidHashError):
                return False
        return hashed is not None


def _normal(password: str) -> bytes:
    """The same whichever keyboard typed it."""
    return unicodedata.normalize("NFKC", password).encode("utf-8", "surrogatepass")
