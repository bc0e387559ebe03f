"""The port ``Keyring``: accounts, tokens, sessions, links and deeds, on both databases and in memory."""

from __future__ import annotations

import threading
from dataclasses import replace

import pytest
from sqlalchemy import text

from service.domain.access import OLD, Account, Deed, Link, Role, Session, Token
from service.keyring import DeedRow, Keyring
from service.store import Store
from service.store.keyring import DEEDS_KEPT
from tests.support.keyring import MemoryKeyring

MIRA = Account(key="mira", name="Mira", role=Role.ACT, password="$argon2id$…", created_at=5)
GATE = Token(name="gate", digest=b"g" * 32, role=Role.READ, others=False, created_at=7, expires_at=99)
SEEN = Session(digest=b"s" * 32, account="mira", name="Mira", role=Role.ACT, created_at=10, used_at=10)
LINK = Link(digest=b"l" * 32, notice="n-1", outlet="line-2", created_at=1, expires_at=50)
DEED = Deed(at=3, who="Mira", kind="account", did="POST /x", by="Tomas", answer=200, address="10.0.0.9")


@pytest.fixture(params=["memory", "sqlite", "postgresql"])
def keyring(request: pytest.FixtureRequest) -> Keyring:
    if request.param == "memory":
        return MemoryKeyring()
    store: Store = request.getfixturevalue("store")
    return store.keyring


@pytest.fixture
def backend(request: pytest.FixtureRequest) -> str:
    callspec = getattr(request.node, "callspec", None)
    return str(callspec.params["keyring"]) if callspec else "sqlite"


def test_a_new_store_has_nobody_and_is_unused(keyring: Keyring) -> None:
    assert not keyring.is_used()
    assert [*keyring.accounts(), *keyring.tokens()] == []
    assert keyring.account("mira") is None
    assert keyring.token(b"g" * 32) is None


def test_an_account_reads_as_it_was_written_and_is_replaced_by_key(keyring: Keyring) -> None:
    keyring.save_account(MIRA)
    assert keyring.account("mira") == MIRA
    keyring.save_account(replace(MIRA, role=Role.ADMIN))
    assert [each.role for each in keyring.accounts()] == [Role.ADMIN]
    assert keyring.is_used()


@pytest.mark.parametrize("name", ["O'Neill", "Žár \ud800", "a\0b", "%_\\", "Robert'); DROP TABLE account;--"])
def test_any_name_comes_back_as_it_was(keyring: Keyring, name: str) -> None:
    keyring.save_account(replace(MIRA, key=name, name=name))
    keyring.add_token(replace(GATE, name=name))
    keyring.note(replace(DEED, who=name, did=name, by=name, address=name))
    assert keyring.account(name) == replace(MIRA, key=name, name=name)
    assert [each.name for each in keyring.tokens()] == [name]
    assert keyring.deeds(limit=1, after=None)[0].deed.did == name


def test_who_was_ended_still_counts_as_used(keyring: Keyring) -> None:
    keyring.add_token(GATE)
    assert keyring.end_token("gate", at=20)
    assert keyring.is_used()
    assert keyring.token(GATE.digest) == replace(GATE, ended_at=20)


def test_a_token_of_a_living_name_is_not_replaced_and_of_an_ended_one_is(keyring: Keyring) -> None:
    assert keyring.add_token(GATE)
    assert keyring.add_token(GATE)  # an answer that was lost
    assert not keyring.add_token(replace(GATE, digest=b"h" * 32))
    assert keyring.end_token("gate", at=20)
    assert not keyring.end_token("gate", at=21)
    assert keyring.add_token(replace(GATE, digest=b"h" * 32))
    assert keyring.token(GATE.digest) is None
    assert [each.digest for each in keyring.tokens()] == [b"h" * 32]


def test_of_several_who_make_one_name_at_once_one_succeeds(keyring: Keyring) -> None:
    made: list[bool] = []
    start = threading.Barrier(4)

    def make(number: int) -> None:
        start.wait()
        made.append(keyring.add_token(replace(GATE, digest=bytes([number]) * 32)))

    threads = [threading.Thread(target=make, args=[number]) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert sorted(made) == [False, False, False, True]


def test_a_token_gets_another_secret_and_the_one_before_goes_on_for_a_while(keyring: Keyring) -> None:
    keyring.add_token(replace(GATE, used_at=8))
    new = replace(GATE, digest=b"h" * 32, created_at=20, expires_at=200)
    assert keyring.rotate_token(new, until=50)
    assert keyring.rotate_token(new, until=60)  # an answer that was lost
    assert keyring.token(b"h" * 32) == new
    assert keyring.token(GATE.digest) == replace(GATE, name="gate" + OLD, used_at=8, expires_at=50)
    assert keyring.rotate_token(replace(new, digest=b"i" * 32), until=900)
    assert keyring.token(GATE.digest) is None
    former = keyring.token(b"h" * 32)
    assert former == replace(new, name="gate" + OLD)  # its own end comes first


def test_a_token_that_has_ended_or_never_was_gets_no_other_secret(keyring: Keyring) -> None:
    assert not keyring.rotate_token(GATE, until=50)
    keyring.add_token(GATE)
    keyring.end_token("gate", at=20)
    assert not keyring.rotate_token(replace(GATE, digest=b"h" * 32), until=50)
    assert keyring.token(b"h" * 32) is None


def test_sessions_are_listed_by_use_with_where_they_were_signed_in_from(keyring: Keyring) -> None:
    tomas = replace(MIRA, key="tomas", name="Tomas", role=Role.ADMIN)
    gone = replace(MIRA, key="gone", name="Gone", ended_at=9)
    for account in (MIRA, tomas, gone):
        keyring.save_account(account)
    for deed in (
        replace(DEED, at=10, did="sign in", address="10.0.0.7"),
        replace(DEED, at=10, did="POST /x", address="10.0.0.8"),
        replace(DEED, at=11, did="sign in", address="10.0.0.9"),
    ):
        keyring.note(deed)
    keyring.open_session(SEEN)
    keyring.open_session(replace(SEEN, digest=b"t" * 32, account="tomas", used_at=12))
    keyring.open_session(replace(SEEN, digest=b"u" * 32, account="gone"))
    assert keyring.sessions() == [
        replace(SEEN, digest=b"t" * 32, account="tomas", name="Tomas", role=Role.ADMIN, used_at=12),
        replace(SEEN, address="10.0.0.7"),
    ]


def test_a_session_has_the_name_and_role_of_its_account_today(keyring: Keyring) -> None:
    keyring.save_account(MIRA)
    keyring.open_session(replace(SEEN, name="old", role=Role.READ))
    assert keyring.session(SEEN.digest) == SEEN
    keyring.touch(SEEN.digest, at=12)
    assert keyring.session(SEEN.digest) == replace(SEEN, used_at=12)


def test_changing_or_ending_an_account_ends_its_sessions_and_no_other(keyring: Keyring) -> None:
    for key in ("mira", "tomas"):
        keyring.save_account(replace(MIRA, key=key, name=key))
        keyring.open_session(replace(SEEN, digest=key.encode(), account=key))
    keyring.save_account(replace(MIRA, ended_at=30))
    assert keyring.session(b"mira") is None
    assert keyring.session(b"tomas") is not None


def test_a_session_that_ended_is_unknown(keyring: Keyring) -> None:
    keyring.save_account(MIRA)
    keyring.open_session(SEEN)
    keyring.end_session(SEEN.digest)
    keyring.end_session(SEEN.digest)
    assert keyring.session(SEEN.digest) is None


def test_a_session_of_nobody_is_unknown(keyring: Keyring) -> None:
    keyring.open_session(SEEN)
    assert keyring.session(SEEN.digest) is None


def test_a_token_says_when_it_was_used(keyring: Keyring) -> None:
    keyring.add_token(GATE)
    keyring.touch(GATE.digest, at=44)
    assert keyring.token(GATE.digest) == replace(GATE, used_at=44)


def test_links_end_by_notice(keyring: Keyring) -> None:
    other = replace(LINK, digest=b"m" * 32, notice="n-2")
    for link in (LINK, other):
        keyring.add_link(link)
    assert keyring.end_links("n-1", at=9) == 1
    assert keyring.link(LINK.digest) == replace(LINK, ended_at=9)
    assert keyring.link(other.digest) == other
    assert keyring.link(b"?" * 32) is None


def test_deeds_come_newest_first_by_pages(keyring: Keyring) -> None:
    for at in (3, 1, 2):
        keyring.note(replace(DEED, at=at))
    first = keyring.deeds(limit=2, after=None)
    assert [row.deed.at for row in first] == [2, 1]
    assert first[1] == DeedRow(id=first[1].id, deed=replace(DEED, at=1))
    assert [row.deed.at for row in keyring.deeds(limit=2, after=first[1].id)] == [3]


def test_what_is_old_is_forgotten_and_no_account_or_token(keyring: Keyring) -> None:
    keyring.save_account(MIRA)
    keyring.add_token(GATE)
    keyring.open_session(SEEN)
    keyring.add_link(LINK)
    keyring.note(DEED)
    assert keyring.forget(before=3) == 0
    assert keyring.forget(before=51) == 3
    assert keyring.session(SEEN.digest) is None
    assert keyring.link(LINK.digest) is None
    assert keyring.deeds(limit=9, after=None) == []
    assert keyring.account("mira") == MIRA
    assert keyring.token(GATE.digest) == GATE


def test_a_flood_of_deeds_leaves_the_newest(store: Store) -> None:
    store.keyring.note(DEED)
    with store.database.writer.begin() as connection:
        connection.execute(text(f"UPDATE sqlite_sequence SET seq = {2 * DEEDS_KEPT} - 2 WHERE name = 'deed'"))
    for at in (7, 8):
        store.keyring.note(replace(DEED, at=at))
    assert [row.deed.at for row in store.keyring.deeds(limit=9, after=None)] == [8, 7]
