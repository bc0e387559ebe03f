"""When everything is open, the first token, and how accounts and tokens are made and compared."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.access import AccessError, first_token, keys, make_account
from service.access.passwords import LONGEST, SHORTEST
from service.domain.access import Role
from service.entrance import is_loopback, make_door
from service.ports import StoreError
from tests.support.access import PASSWORD, PASSWORDS, START, Entrance
from tests.support.keyring import MemoryKeyring


@pytest.mark.parametrize(
    ("host", "here"),
    [
        ("127.0.0.1", True), ("127.8.8.8", True), ("::1", True), ("localhost", True), ("LOCALHOST", True),
        ("0.0.0.0", False), ("::", False), ("10.0.0.5", False), ("bell.plant.example", False), ("", False),
        ("localhost.evil.example", False), ("127.0.0.1.evil.example", False),
    ],
)  # fmt: skip
def test_only_what_nobody_else_reaches_is_open(host: str, here: bool) -> None:
    shown: list[Any] = []
    keyring = MemoryKeyring()
    door = make_door(keyring, host=host, clock=lambda: START, warn=lambda *said, **more: shown.append(more))
    assert is_loopback(host) == door.is_open() == here
    assert len(shown) == (0 if here else 1)
    assert len(keyring.tokens()) == (0 if here else 1)


def test_the_first_token_is_made_once_and_never_beside_an_account() -> None:
    keyring = MemoryKeyring()
    assert first_token(keyring, now=START)
    assert first_token(keyring, now=START) is None
    entrance = Entrance()
    entrance.knows("Mira", "act")
    assert first_token(entrance.keyring, now=START) is None


def test_a_store_that_never_answered_opens_nothing_and_one_that_did_stays_as_it_was() -> None:
    entrance = Entrance(open_here=True)
    entrance.keyring.broken = StoreError("down")
    with pytest.raises(StoreError):
        entrance.door.is_open()
    entrance.keyring.broken = None
    assert entrance.door.is_open()
    entrance.keyring.broken = StoreError("down")
    entrance.wait(5)
    assert entrance.door.is_open()


@pytest.mark.parametrize(
    ("made", "typed"), [("Mira", " mira "), ("Žár", "z\u030ca\u0301r"), ("ＭＩＲＡ", "mira")]
)
def test_a_name_is_found_however_a_phone_writes_it(made: str, typed: str) -> None:
    entrance = Entrance()
    entrance.knows(made, "act")
    secret = entrance.door.sign_in(typed, PASSWORD, address="")
    caller = entrance.door.by_session(secret, address="")
    assert caller is not None
    assert (caller.name, caller.role) == (made, Role.ACT)


def test_a_password_is_the_same_whichever_keyboard_composed_it() -> None:
    hashed = PASSWORDS.hash("pa\u0308sse und wege")
    assert PASSWORDS.fits("pässe und wege", hashed)
    assert not PASSWORDS.fits("Pässe und wege", hashed)
    assert not PASSWORDS.fits("pässe und wege", None)
    assert not PASSWORDS.fits("pässe und wege", "no hash at all")


@given(password=st.text(max_size=300))
def test_any_text_of_the_right_length_is_a_password(password: str) -> None:
    keyring = MemoryKeyring()
    if not SHORTEST <= len(password) <= LONGEST:
        with pytest.raises(AccessError, match="10 to 256"):
            make_account(keyring, PASSWORDS, "Mira", role=Role.READ, password=password, now=START)
        return
    make_account(keyring, PASSWORDS, "Mira", role=Role.READ, password=password, now=START)
    account = keyring.account("mira")
    assert account is not None
    assert PASSWORDS.fits(password, account.password)
    assert not PASSWORDS.fits(password + "x", account.password)


def test_secrets_are_256_bits_of_which_no_two_are_equal() -> None:
    made = {keys.make(keys.TOKEN_BEGINS) for _ in range(1000)}
    assert len(made) == 1000
    assert all(keys.is_made_here(secret, keys.TOKEN_BEGINS) for secret in made)
    assert {len(keys.digest(secret)) for secret in made} == {32}


@given(text=st.text(max_size=60))
def test_any_text_is_looked_up_without_a_failure(text: str) -> None:
    entrance = Entrance()
    assert entrance.door.by_bearer(text, address="") is None
    assert entrance.door.by_session(text, address="") is None
