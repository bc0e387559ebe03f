"""Accounts and tokens as a file: hashes only, nobody's secret. Sessions, links and the audit stay behind.

Whoever has the file can try passwords against it, so it is as private as the store itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Annotated

import msgspec
from argon2 import extract_parameters
from argon2.exceptions import InvalidHashError

from service.access import keys
from service.access.register import AccessError, note
from service.domain.access import Account, Role, Token
from service.domain.model import Instant
from service.keyring import Keyring

FORMAT = "earlybell access"
VERSION = 1
_Name = Annotated[str, msgspec.Meta(min_length=1, max_length=80)]
_Moment = Annotated[int, msgspec.Meta(ge=0, le=2**53)]


class _Account(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    name: _Name
    role: Role
    password: str
    created_at: _Moment
    ended_at: _Moment | None = None


class _Token(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    name: _Name
    sha256: Annotated[str, msgspec.Meta(pattern=r"^[0-9a-f]{64}$")]
    role: Role
    others: bool
    created_at: _Moment
    expires_at: _Moment | None = None
    used_at: _Moment | None = None
    ended_at: _Moment | None = None


class _File(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    format: str
    version: int
    accounts: list[_Account]
    tokens: list[_Token]


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """Names that were made, that were replaced, and that were left as they are here; ``ended``: the accounts
    among those replaced that are over with this."""

    made: Sequence[str]
    replaced: Sequence[str]
    left: Sequence[str]
    ended: Sequence[str] = ()


def export_access(keyring: Keyring, *, now: Instant) -> bytes:
    """All accounts and tokens, ended ones too: an import brings none of those back to life."""
    kept = _File(
        format=FORMAT,
        version=VERSION,
        accounts=[
            _Account(each.name, each.role, each.password, each.created_at, each.ended_at)
            for each in keyring.accounts()
        ],
        tokens=[
            _Token(
                each.name,
                each.digest.hex(),
                each.role,
                each.others,
                each.created_at,
                each.expires_at,
                each.used_at,
                each.ended_at,
            )
            for each in keyring.tokens()
        ],
    )
    note(keyring, f"export {len(kept.accounts)} accounts and {len(kept.tokens)} tokens", now)
    return msgspec.json.format(msgspec.json.encode(kept), indent=1) + b"\n"


def import_access(keyring: Keyring, data: bytes, *, replacing: bool, now: Instant) -> Imported:
    """What is in ``data`` and not here; with ``replacing`` also what is here by the same name and otherwise.
    All of it is read before any is kept. Raises ``AccessError``."""
    accounts, tokens = _read(data)
    known = {each.name: each for each in keyring.tokens()}
    names = {each.digest: each.name for each in known.values()}
    wanted = [each for each in tokens if _is_wanted(each, known.get(each.name), replacing)]
    for token in wanted:
        if names.get(token.digest, token.name) != token.name:
            raise AccessError(f"token {token.name!r}: its secret is that of {names[token.digest]!r} here")
    made: list[str] = []
    replaced: list[str] = []
    left: list[str] = []
    ended: list[str] = []
    here = {each.key: each for each in keyring.accounts()}
    for account in accounts:
        before = here.get(account.key)
        if before is not None and (before == account or not replacing):
            left.append(f"account {account.name}")
            continue
        keyring.save_account(account)
        if before is not None and before.ended_at is None and account.ended_at is not None:
            ended.append(before.name)
        (made if before is None else replaced).append(f"account {account.name}")
    left += [f"token {each.name}" for each in tokens if each not in wanted]
    for token in wanted:
        if token.name in known:
            keyring.end_token(token.name, at=now)
        if not keyring.add_token(token):
            raise AccessError(f"token {token.name!r} was made here meanwhile: import again")
        (replaced if token.name in known else made).append(f"token {token.name}")
    note(keyring, f"import access: {len(made)} made, {len(replaced)} replaced, {len(left)} left", now)
    return Imported(made=made, replaced=replaced, left=left, ended=ended)


def _read(data: bytes) -> tuple[list[Account], list[Token]]:
    try:
        kept = msgspec.json.decode(data, type=_File)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise AccessError(f"not a file of accounts: {error}") from None
    if (kept.format, kept.version) != (FORMAT, VERSION):
        raise AccessError(f"not a file of accounts in version {VERSION} of {FORMAT!r}")
    accounts = [_account(each) for each in kept.accounts]
    tokens = [
        Token(
            name=each.name,
            digest=bytes.fromhex(each.sha256),
            role=each.role,
            others=each.others,
            created_at=each.created_at,
            expires_at=each.expires_at,
            used_at=each.used_at,
            ended_at=each.ended_at,
        )
        for each in kept.tokens
    ]
    for what, names in (
        ("account", [each.key for each in accounts]),
        ("token", [each.name for each in tokens]),
        ("secret", [each.digest.hex()[:12] for each in tokens]),
    ):
        if twice := sorted({each for each in names if names.count(each) > 1}):
            raise AccessError(f"{what} {twice[0]!r} stands there more than once")
    return accounts, tokens


def _account(kept: _Account) -> Account:
    if kept.ended_at is None:
        try:
            extract_parameters(kept.password)
        except InvalidHashError:
            raise AccessError(f"account {kept.name!r}: password is no argon2 hash") from None
    return Account(
        key=keys.name_key(kept.name),
        name=kept.name,
        role=kept.role,
        password=kept.password,
        created_at=kept.created_at,
        ended_at=kept.ended_at,
    )


def _is_wanted(token: Token, there: Token | None, replacing: bool) -> bool:
    """When it was last used decides nothing."""
    return there is None or (replacing and replace(there, used_at=None) != replace(token, used_at=None))
