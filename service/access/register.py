"""Accounts and tokens as somebody at the machine makes and ends them; each is noted in the audit."""

from __future__ import annotations

import unicodedata

from service.access import keys
from service.access.passwords import LONGEST, SHORTEST, Passwords
from service.domain.access import DAY, EMERGENCY, OLD, Account, Deed, Role, Token
from service.domain.model import Instant
from service.keyring import Keyring

FIRST = "first-run"
_LONGEST_NAME = 64
_LONGEST_DAYS = 3650


class AccessError(Exception):
    """It can't be made or ended; the text says why and what to do."""


def make_token(
    keyring: Keyring, name: str, *, role: Role, days: int | None, others: bool, now: Instant
) -> str:
    """A new token's secret, shown this once: only its hash is kept."""
    named = name_of(name)
    if named.endswith(OLD) or named.startswith(EMERGENCY):
        raise AccessError(f"a token's name doesn't begin with {EMERGENCY!r} or end with {OLD!r}")
    if days is not None and not 1 <= days <= _LONGEST_DAYS:
        raise AccessError(f"--days: from 1 to {_LONGEST_DAYS}")
    secret = keys.make(keys.TOKEN_BEGINS)
    token = Token(
        name=named,
        digest=keys.digest(secret),
        role=role,
        others=others,
        created_at=now,
        expires_at=None if days is None else now + days * DAY,
    )
    if not keyring.add_token(token):
        raise AccessError(f"there is a token {named!r} already: end it first, with --end")
    note(keyring, f"make token {named}, role {role}", now)
    return secret


def first_token(keyring: Keyring, *, now: Instant) -> str | None:
    """An administrator's token where nothing was ever configured; ``None`` where something was."""
    if keyring.is_used():
        return None
    try:
        return make_token(keyring, FIRST, role=Role.ADMIN, days=None, others=False, now=now)
    except AccessError:  # another instance on the same store was faster, and shows its own
        return None


def end_token(keyring: Keyring, name: str, *, now: Instant) -> None:
    """With the secret that it had before, where that is still good."""
    named = name_of(name)
    former = keyring.end_token(named + OLD, at=now)
    if not keyring.end_token(named, at=now) and not former:
        raise AccessError(f"there is no token {name!r} (or it was ended before)")
    note(keyring, f"end token {named}", now)


def make_account(
    keyring: Keyring, passwords: Passwords, name: str, *, role: Role, password: str, now: Instant
) -> bool:
    """Make it, or give it this role and password from now on, which ends its sessions. Whether it is new."""
    named = name_of(name)
    key = keys.name_key(named)
    if not SHORTEST <= len(password) <= LONGEST:
        raise AccessError(f"the password must have {SHORTEST} to {LONGEST} characters")
    if keys.name_key(password) == key:
        raise AccessError("the password must not be the name")
    before = keyring.account(key)
    keyring.save_account(
        Account(key=key, name=named, role=role, password=passwords.hash(password), created_at=now)
    )
    note(keyring, f"{'make' if before is None else 'change'} account {named}, role {role}", now)
    return before is None


def end_account(keyring: Keyring, name: str, *, now: Instant) -> str:
    """The name that it was made with."""
    found = keyring.account(keys.name_key(name))
    if found is None or found.ended_at is not None:
        raise AccessError(f"there is no account {name!r} (or it was ended before)")
    ended = Account(
        key=found.key,
        name=found.name,
        role=found.role,
        password="",
        created_at=found.created_at,
        ended_at=now,
    )
    keyring.save_account(ended)
    note(keyring, f"end account {found.name}", now)
    return found.name


def end_links(keyring: Keyring, notice: str, *, now: Instant) -> int:
    """The links in messages that open this notice open it no longer; how many there were."""
    ended = keyring.end_links(notice, at=now)
    note(keyring, f"end {ended} links to {notice[:64]}", now)
    return ended


def name_of(name: str) -> str:
    """As it is kept. Raises ``AccessError``."""
    named = unicodedata.normalize("NFC", name).strip()
    if not 1 <= len(named) <= _LONGEST_NAME or not named.isprintable():
        raise AccessError(f"the name must have 1 to {_LONGEST_NAME} printable characters")
    return named


def note(keyring: Keyring, did: str, now: Instant) -> None:
    """In the audit, as done at the machine."""
    keyring.note(Deed(at=now, who="command line", kind="terminal", did=did))
