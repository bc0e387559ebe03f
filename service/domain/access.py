"""Who may do what: roles, and the few facts about accounts, tokens, sessions and links that decide it.

Arithmetic and comparisons alone: how a secret is made, hashed, kept or carried is decided elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

from service.domain.model import SECOND, Instant

DAY = 24 * 3600 * SECOND
SESSION_LASTS = 7 * DAY
SESSION_IDLES = 12 * 3600 * SECOND
"""A phone in a pocket stays signed in over a shift, not over a weekend."""
LINK_LASTS = 1 * DAY
"""Longer than any emptying; who comes later signs in."""
OLD = " (old)"
"""Behind a token's name: the secret that was replaced, good for a while longer."""
SIGNED_IN = "sign in"
"""What the audit says of it."""
EMERGENCY = "emergency "
"""Before the name of a token that somebody at the machine made for some hours."""


class Role(StrEnum):
    """Each includes the ones before it."""

    READ = "read"
    ACT = "act"
    ADMIN = "admin"


_RANK = {role: rank for rank, role in enumerate(Role)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """A person who signs in; ``key`` is the name as it is compared. ``password`` is its hash."""

    key: str
    name: str
    role: Role
    password: str = field(repr=False)
    created_at: Instant
    ended_at: Instant | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Token:
    """A program's key. ``others``: what it does may be in the name that it gives, else it is in its own."""

    name: str
    digest: bytes = field(repr=False)
    role: Role
    others: bool
    created_at: Instant
    expires_at: Instant | None = None
    used_at: Instant | None = None
    ended_at: Instant | None = None

    @property
    def program(self) -> str:
        """Whose it is, by whichever of its secrets."""
        return self.name.removesuffix(OLD)


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """One sign-in of an account; ``name`` and ``role`` are the account's of today. ``address``: from where,
    as far as the audit still knows."""

    digest: bytes = field(repr=False)
    account: str
    name: str
    role: Role
    created_at: Instant
    used_at: Instant
    address: str | None = None

    @property
    def id(self) -> str:
        """Names it to people and opens nothing: the beginning of the hash."""
        return self.digest.hex()[:12]


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """What a message carries: it opens one notice to whoever that outlet reaches."""

    digest: bytes = field(repr=False)
    notice: str
    outlet: str
    created_at: Instant
    expires_at: Instant
    ended_at: Instant | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Caller:
    """Who asks. ``id`` is the same for all that one account, token or link asks; ``notice``: all that a link
    opens."""

    kind: Literal["account", "token", "link"]
    id: str
    name: str
    role: Role
    others: bool = False
    notice: str | None = None

    def may(self, needed: Role) -> bool:
        return _RANK[self.role] >= _RANK[needed]


@dataclass(frozen=True, slots=True, kw_only=True)
class Deed:
    """Who did what. ``by``: in whose name, where that isn't ``who``; ``answer``: the HTTP status, if any."""

    at: Instant
    who: str
    kind: str
    did: str
    by: str | None = None
    answer: int | None = None
    address: str | None = None


def holds_token(token: Token, now: Instant) -> bool:
    """A token holds until it is ended or expires."""
    return token.ended_at is None and (token.expires_at is None or now < token.expires_at)


def holds_session(session: Session, now: Instant) -> bool:
    """A session ends after half a day without use and after a week in any case."""
    return now < session.created_at + SESSION_LASTS and now < session.used_at + SESSION_IDLES


def holds_link(link: Link, now: Instant) -> bool:
    return link.ended_at is None and now < link.expires_at


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowance:
    """So many at once, and one more each ``every``."""

    burst: int
    every: Instant


def spend(full_at: Instant, allowance: Allowance, now: Instant) -> Instant | None:
    """When the allowance is whole again after one more was spent; ``None``: nothing is left to spend.

    It is never whole later than all of it takes: a moment beyond that shows a clock that stepped back.
    """
    whole = allowance.burst * allowance.every
    start = full_at if now <= full_at <= now + whole else now
    return None if start + allowance.every > now + whole else start + allowance.every


def seconds_until_one(full_at: Instant, allowance: Allowance, now: Instant) -> int:
    """Whole seconds, at least one, until there is one to spend."""
    return max(1, -(-(full_at - now - (allowance.burst - 1) * allowance.every) // SECOND))
