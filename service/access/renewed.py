"""What keeps access going, as somebody at the machine does it: other secrets without a gap, sessions that
end, and a way in for some hours when nobody has one left. Each is noted in the audit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from service.access import keys
from service.access.register import AccessError, name_of, note
from service.domain.access import (
    EMERGENCY,
    OLD,
    Role,
    Session,
    Token,
    holds_session,
    holds_token,
)
from service.domain.model import SECOND, Instant, to_datetime
from service.keyring import Keyring

HOUR = 3600 * SECOND
LONGEST_OVERLAP = 30 * 24
"""Hours."""
LONGEST_EMERGENCY = 8
"""Hours: a shift. Who needs longer makes an account."""
_LONGEST_WHY = 160


def rotate_token(keyring: Keyring, name: str, *, hours: float, now: Instant) -> tuple[str, Instant]:
    """Another secret for a token, shown this once; role and lasting stay as they were. The one before is good
    for so many ``hours`` longer, none: it ends now, and so does one that was replaced before. With the moment
    at which the one before ends."""
    named = name_of(name)
    if not 0 <= hours <= LONGEST_OVERLAP:
        raise AccessError(f"--overlap: from 0 to {LONGEST_OVERLAP} hours")
    overlap = round(hours * HOUR)
    tokens = {each.name: each for each in keyring.tokens()}
    before, former = tokens.get(named), tokens.get(named + OLD)
    if before is None or not holds_token(before, now):
        raise AccessError(f"there is no token {name!r} (or it has ended): make one with --role")
    if overlap and former is not None and holds_token(former, now):
        raise AccessError(
            f"the secret before is still good: see `accounts` whether {named + OLD!r} is used, then wait"
            " for its end, or end both old ones at once with --overlap 0"
        )
    secret = keys.make(keys.TOKEN_BEGINS)
    lasts = None if before.expires_at is None else now + before.expires_at - before.created_at
    new = replace(
        before, digest=keys.digest(secret), created_at=now, expires_at=lasts, used_at=None, ended_at=None
    )
    until = now + overlap if before.expires_at is None else min(now + overlap, before.expires_at)
    if not keyring.rotate_token(new, until=until):
        raise AccessError(f"token {name!r} was ended meanwhile")
    told = f"good until {_moment(until)}" if overlap else "ended"
    note(keyring, f"rotate token {named}, the secret before {told}", now)
    return secret, until


def emergency_token(keyring: Keyring, *, why: str, hours: int, now: Instant) -> tuple[Token, str]:
    """An administrator's token for some hours, with its secret, which is shown this once."""
    said = " ".join(why.split())
    if not 1 <= len(said) <= _LONGEST_WHY or not said.isprintable():
        raise AccessError(f"--why: say in 1 to {_LONGEST_WHY} characters what it is for; the audit keeps it")
    if not 1 <= hours <= LONGEST_EMERGENCY:
        raise AccessError(f"--hours: from 1 to {LONGEST_EMERGENCY}")
    secret = keys.make(keys.TOKEN_BEGINS)
    token = Token(
        name=f"{EMERGENCY}{to_datetime(now):%Y-%m-%d %H:%M:%S}",
        digest=keys.digest(secret),
        role=Role.ADMIN,
        others=False,
        created_at=now,
        expires_at=now + hours * HOUR,
    )
    if not keyring.add_token(token):
        raise AccessError("another emergency token was made this second: try again")
    note(keyring, f"make token {token.name}, role admin, for {hours} h: {said}", now)
    return token, secret


def end_sessions(keyring: Keyring, *, id: str | None, name: str | None, now: Instant) -> Sequence[Session]:  # noqa: A002
    """That one, those of one account, or all; which did end."""
    alive = [each for each in keyring.sessions() if holds_session(each, now)]
    key = None if name is None else keys.name_key(name)
    chosen = [each for each in alive if id in (None, each.id) and key in (None, each.account)]
    if id is not None and not chosen:
        raise AccessError(f"there is no session {id!r} (or it has ended): `earlybell sessions` lists them")
    if name is not None and keyring.account(keys.name_key(name)) is None:
        raise AccessError(f"there is no account {name!r}")
    for each in chosen:
        keyring.end_session(each.digest)
    whose = ", ".join(sorted({each.name for each in chosen})) or "nobody"
    note(keyring, f"end {len(chosen)} sessions of {whose[:_LONGEST_WHY]}", now)
    return chosen


def _moment(at: Instant) -> str:
    return f"{to_datetime(at):%Y-%m-%d %H:%M} UTC"
