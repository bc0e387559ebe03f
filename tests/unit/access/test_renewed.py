"""Other secrets without a gap, sessions that end, a way in for some hours, and all of it as a file."""

from __future__ import annotations

import math
from typing import Any

import msgspec
import pytest

from service.access import (
    AccessError,
    emergency_token,
    end_account,
    end_sessions,
    end_token,
    export_access,
    import_access,
    make_token,
    rotate_token,
)
from service.access.renewed import HOUR, LONGEST_OVERLAP
from service.domain.access import DAY, OLD, SESSION_IDLES, Role
from service.domain.model import SECOND
from service.entrance import make_door
from tests.support.access import PASSWORD, START, Entrance
from tests.support.keyring import MemoryKeyring


def opens(entrance: Entrance, secret: str) -> str | None:
    """Whom a secret lets in as."""
    caller = entrance.door.by_bearer(secret, address="10.0.0.9")
    return None if caller is None else caller.name


def rotate(entrance: Entrance, hours: float = 24.0, name: str = "gate") -> str:
    return rotate_token(entrance.keyring, name, hours=hours, now=entrance.now)[0]


def test_both_secrets_open_during_the_overlap_under_one_name_and_then_the_new_one_alone() -> None:
    entrance = Entrance()
    old = entrance.token("gate", "act", days=90)
    entrance.wait(10 * 86_400)
    new = rotate(entrance)
    assert (opens(entrance, old), opens(entrance, new)) == ("gate", "gate")
    entrance.wait(24 * 3600)
    assert (opens(entrance, old), opens(entrance, new)) == (None, "gate")
    (token,) = (each for each in entrance.keyring.tokens() if each.name == "gate")
    assert (token.role, token.others) == (Role.ACT, False)
    assert token.expires_at == START + 10 * DAY + 90 * DAY


def test_which_of_the_two_secrets_a_program_uses_is_seen() -> None:
    entrance = Entrance()
    old = entrance.token("gate", "act")
    new = rotate(entrance)
    entrance.wait(60)
    opens(entrance, old)
    used = {each.name: each.used_at for each in entrance.keyring.tokens()}
    assert used == {"gate": None, "gate" + OLD: entrance.now}
    opens(entrance, new)
    assert {each.name: each.used_at for each in entrance.keyring.tokens()}["gate"] == entrance.now


def test_a_third_secret_waits_for_the_end_of_the_first_unless_both_old_ones_end_at_once() -> None:
    entrance = Entrance()
    first = entrance.token("gate", "act")
    second = rotate(entrance)
    with pytest.raises(AccessError, match="the secret before is still good"):
        rotate(entrance)
    assert opens(entrance, first)
    third = rotate(entrance, 0)
    entrance.wait(3)
    assert [opens(entrance, each) for each in (first, second, third)] == [None, None, "gate"]


@pytest.mark.parametrize("hours", [-1.0, LONGEST_OVERLAP + 1, math.nan, math.inf])
def test_an_overlap_beyond_its_bounds_changes_nothing(hours: float) -> None:
    entrance = Entrance()
    secret = entrance.token("gate", "act")
    with pytest.raises(AccessError, match="--overlap: from 0 to 720 hours"):
        rotate(entrance, hours)
    assert opens(entrance, secret)


def test_a_token_that_ended_or_expired_is_made_anew_instead() -> None:
    entrance = Entrance()
    entrance.token("gate", "act", days=1)
    entrance.wait(2 * 86_400)
    with pytest.raises(AccessError, match="make one with --role"):
        rotate(entrance)


def test_ending_a_token_ends_both_of_its_secrets() -> None:
    entrance = Entrance()
    old = entrance.token("gate", "act")
    new = rotate(entrance)
    end_token(entrance.keyring, "gate", now=entrance.now)
    entrance.wait(3)
    assert (opens(entrance, old), opens(entrance, new)) == (None, None)


@pytest.mark.parametrize("name", ["gate" + OLD, "emergency 1"])
def test_no_token_is_made_under_a_name_that_means_something(name: str) -> None:
    with pytest.raises(AccessError, match="a token's name doesn't"):
        make_token(MemoryKeyring(), name, role=Role.READ, days=None, others=False, now=START)


def test_an_emergency_token_is_an_administrators_for_an_hour_and_is_seen_in_log_and_audit() -> None:
    keyring, now, logged = MemoryKeyring(), [START], list[tuple[str, dict[str, Any]]]()
    door = make_door(
        keyring, host="127.0.0.1", clock=lambda: now[0], warn=lambda what, **more: logged.append((what, more))
    )
    token, secret = emergency_token(keyring, why="all  passwords\nlost", hours=1, now=START)
    for _ in range(2):
        caller = door.by_bearer(secret, address="10.0.0.9")
        assert caller is not None
        assert caller.may(Role.ADMIN)
        now[0] += 3 * SECOND
    assert logged == [("emergency_access_used", {"token": token.name, "address": "10.0.0.9"})]
    assert [row.deed.did for row in keyring.deeds(limit=9, after=None)] == [
        "first use", f"make token {token.name}, role admin, for 1 h: all passwords lost",
    ]  # fmt: skip
    now[0] = START + HOUR
    assert door.by_bearer(secret, address="10.0.0.9") is None


@pytest.mark.parametrize(
    ("why", "hours"), [(" ", 1), ("x" * 161, 1), ("a\x1bb", 1), ("lost", 0), ("lost", 9)]
)
def test_an_emergency_needs_a_reason_and_an_end(why: str, hours: int) -> None:
    keyring = MemoryKeyring()
    with pytest.raises(AccessError):
        emergency_token(keyring, why=why, hours=hours, now=START)
    assert not keyring.is_used()


def signed_in() -> tuple[Entrance, list[str]]:
    entrance = Entrance()
    for name in ("Mira", "Tomas"):
        entrance.knows(name, "act")
    names = ("Mira", "mira", "Tomas")
    return entrance, [entrance.door.sign_in(each, PASSWORD, address="10.0.0.9") for each in names]


def alive(entrance: Entrance, secrets: list[str]) -> list[bool]:
    entrance.wait(3)
    return [entrance.door.by_session(each, address="") is not None for each in secrets]


def test_one_session_those_of_one_account_or_all_end() -> None:
    entrance, secrets = signed_in()
    ids = [each.id for each in entrance.keyring.sessions()]
    assert len(set(ids)) == 3
    (ended,) = end_sessions(entrance.keyring, id=ids[0], name=None, now=entrance.now)
    assert sum(alive(entrance, secrets)) == 2
    assert ended.id == ids[0]
    end_sessions(entrance.keyring, id=None, name="MIRA", now=entrance.now)
    assert alive(entrance, secrets) == [False, False, ended.name != "Tomas"]
    end_sessions(entrance.keyring, id=None, name=None, now=entrance.now)
    assert alive(entrance, secrets) == [False, False, False]


def test_a_session_nobody_has_and_an_account_nobody_has_are_told() -> None:
    entrance, _ = signed_in()
    for wanted in ({"id": "0123456789ab", "name": None}, {"id": None, "name": "Ida"}):
        with pytest.raises(AccessError, match="there is no"):
            end_sessions(entrance.keyring, **wanted, now=entrance.now)
    (first, *_) = entrance.keyring.sessions()
    with pytest.raises(AccessError, match="or it has ended"):
        end_sessions(entrance.keyring, id=first.id, name=None, now=entrance.now + SESSION_IDLES)


# As a file


def kept(entrance: Entrance) -> bytes:
    return export_access(entrance.keyring, now=entrance.now)


def taken(data: bytes, into: Entrance, *, replacing: bool = False) -> Any:
    return import_access(into.keyring, data, replacing=replacing, now=into.now)


def test_who_is_moved_by_a_file_signs_in_and_no_secret_is_in_it() -> None:
    entrance, other = Entrance(), Entrance()
    entrance.knows("Mira", "admin")
    secret = entrance.token("gate", "act", days=30, others=True)
    data = kept(entrance)
    assert secret.encode() not in data
    assert PASSWORD.encode() not in data
    assert taken(data, other).made == ["account Mira", "token gate"]
    assert other.keyring.accounts() == entrance.keyring.accounts()
    assert other.keyring.tokens() == entrance.keyring.tokens()
    assert opens(other, secret) == "gate"
    assert other.door.sign_in("mira", PASSWORD, address="")


def test_an_import_leaves_who_is_here_and_brings_no_ended_one_back_unless_told_to_replace() -> None:
    entrance, other = Entrance(), Entrance()
    entrance.knows("Mira", "admin")
    entrance.token("gate", "act")
    data = kept(entrance)
    other.knows("mira", "read", "another password")
    other.token("gate", "read")
    end_token(other.keyring, "gate", now=other.now)
    assert taken(data, other).left == ["account Mira", "token gate"]
    assert [(each.name, each.role) for each in other.keyring.accounts()] == [("mira", Role.READ)]
    assert [each.ended_at for each in other.keyring.tokens()] == [other.now]
    assert taken(data, other, replacing=True).replaced == ["account Mira", "token gate"]
    assert other.keyring.accounts() == entrance.keyring.accounts()
    assert [(each.role, each.ended_at) for each in other.keyring.tokens()] == [(Role.ACT, None)]
    assert taken(data, other, replacing=True).left == ["account Mira", "token gate"]


def test_accounts_that_an_import_ends_are_named_once() -> None:
    entrance, other = Entrance(), Entrance()
    for place in (entrance, other):
        place.knows("Mira", "admin")
        place.knows("Ida", "act")
    end_account(entrance.keyring, "ida", now=entrance.now)
    data = kept(entrance)
    assert taken(data, other).ended == []
    assert taken(data, other, replacing=True).ended == ["Ida"]
    assert taken(data, other, replacing=True).ended == []


def test_an_import_whose_secret_another_token_has_changes_nothing_and_is_told() -> None:
    entrance, other = Entrance(), Entrance()
    entrance.token("gate", "act")
    data = kept(entrance)
    taken(data, other)
    rotate(other)
    before = other.keyring.tokens()
    entrance.knows("Mira", "act")
    with pytest.raises(AccessError, match=r"token 'gate': its secret is that of 'gate \(old\)' here"):
        taken(kept(entrance), other, replacing=True)
    assert (other.keyring.accounts(), other.keyring.tokens()) == ([], before)
    assert taken(data, other).left == ["token gate"]


def bent(**changes: Any) -> bytes:
    entrance = Entrance()
    entrance.knows("Mira", "act")
    entrance.token("gate", "act")
    whole = msgspec.json.decode(kept(entrance))
    for where, value in changes.items():
        table, _, key = where.partition("__")
        if key:
            whole[table][0][key] = value
        else:
            whole[table] = value
    return msgspec.json.encode(whole)


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b"", "not a file of accounts"),
        (b"\xff", "not a file of accounts"),
        (b"[" * 100_000, "not a file of accounts"),
        (bent(version=2), "not a file of accounts in version 1"),
        (bent(accounts__role="owner"), r"Invalid enum value 'owner' - at `\$.accounts\[0\].role`"),
        (bent(accounts__password="plain text"), "account 'Mira': password is no argon2 hash"),
        (bent(tokens__sha256="00"), r"at `\$.tokens\[0\].sha256`"),
        (bent(tokens__more=1), "unknown field `more`"),
        (bent(tokens=msgspec.json.decode(bent())["tokens"] * 2), "token 'gate' stands there more than once"),
    ],
)
def test_a_file_that_does_not_fit_changes_nothing_and_the_reason_is_told(data: bytes, why: str) -> None:
    other = Entrance()
    with pytest.raises(AccessError, match=why):
        taken(data, other)
    assert not other.keyring.is_used()
