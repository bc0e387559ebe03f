"""A plant divided among shards, each with a store of its own in one PostgreSQL database."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from sqlalchemy import text

from service.domain.access import Account, Role
from service.domain.shards import Shard
from service.ports import StoreRevisionError
from service.store import (
    Store,
    Upgraded,
    back_up,
    forget,
    open_store,
    open_united,
    refuse_unregistered,
    register,
    restore,
    upgrade,
)
from service.store.engines import migrator, parse
from service.store.schema import head
from tests.contract.builders import batch, delivery, entry
from tests.support.postgres import Postgres, shared_postgres

REST = Shard("rest", ("*",))
EAST = Shard("east", ("E*", "F1"))
LINES = {"line/E1": b"east", "station/E1/P1": b"east"}


@pytest.fixture
def url() -> Iterator[str]:
    """An empty database."""
    server: Postgres = shared_postgres()
    name = server.create()
    yield server.url(name)
    server.drop(name)


@pytest.fixture(scope="module")
def template() -> Iterator[str]:
    """A database to be copied, where EAST and REST are registered."""
    server = shared_postgres()
    name = server.create()
    for shard in (EAST, REST):
        register(server.url(name), shard, now=1)
    yield name
    server.drop(name)


@pytest.fixture
def divided(template: str) -> Iterator[str]:
    server = shared_postgres()
    name = server.create(template=template)
    yield server.url(name)
    server.drop(name)


@pytest.fixture
def opened(request: pytest.FixtureRequest) -> Iterator[object]:
    """Opens the store of a shard in the test's database."""
    url = request.getfixturevalue("divided" if "divided" in request.fixturenames else "url")
    stores: list[Store] = []

    def open_it(shard: Shard | None = None) -> Store:
        stores.append(open_store(url, migrate=False, shard=shard))
        return stores[-1]

    yield open_it
    for store in stores:
        store.close()


def test_registering_makes_the_shards_store_and_the_common_one_and_twice_changes_nothing(url, opened):
    assert register(url, EAST, now=1) == Upgraded(before=None, after=head())
    assert register(url, EAST, now=2) == Upgraded(before=head(), after=head())
    register(url, REST, now=3)

    assert opened().registry.shards() == opened(EAST).registry.shards() == [EAST, REST]


def test_each_shard_has_a_journal_and_states_of_its_own(divided, opened):
    east, rest = opened(EAST), opened(REST)

    east.ledger.commit(batch(journal=[entry(1)], states=LINES))

    assert east.archive.states("") == LINES
    assert rest.archive.states("") == {}
    assert (east.archive.position(), rest.archive.position()) == (1, 0)


def test_a_store_from_before_is_the_catch_alls(url, opened):
    upgrade(url)
    opened().ledger.commit(batch(states={"line/L3": b"old"}))

    register(url, REST, now=1)

    assert opened(REST).archive.states("") == {"line/L3": b"old"}


def test_accounts_are_common_to_all(divided, opened):
    ines = Account(key="ines", name="Ines", role=Role.ADMIN, password="hash", created_at=1)

    opened(EAST).keyring.save_account(ines)

    assert opened(REST).keyring.accounts() == [ines]


def test_only_one_holds_the_lease_of_a_shard_and_shards_do_not_disturb_each_other(divided, opened):

    assert opened(EAST).leases.take(owner="a", life="a1") is not None
    assert opened(EAST).leases.take(owner="b", life="b1") is None
    assert opened(REST).leases.take(owner="c", life="c1") is not None


def test_a_second_catch_all_is_refused(url):
    register(url, REST, now=1)

    with pytest.raises(StoreRevisionError, match="shard rest has"):
        register(url, Shard("other", ("*",)), now=2)


def test_a_line_stays_with_the_store_that_remembers_it(url, opened):
    register(url, REST, now=1)
    opened(REST).ledger.commit(batch(states=LINES))

    with pytest.raises(StoreRevisionError, match=r"line E1 would go to shard east.*the default schema"):
        register(url, EAST, now=2)

    assert opened().registry.shards() == [REST]
    register(url, Shard("east", ("E2",)), now=3)


def test_a_line_stays_when_lines_are_taken_from_a_shard(divided, opened):
    opened(EAST).ledger.commit(batch(states=LINES))

    with pytest.raises(StoreRevisionError, match=r"line E1 would go to shard rest.*schema shard_east"):
        register(divided, Shard("east", ("F1",)), now=2)
    with pytest.raises(StoreRevisionError, match=r"line E1 would go to shard a.*schema shard_east"):
        register(divided, Shard("a", ("E1",)), now=2)

    register(divided, Shard("east", ("E*",)), now=2)


def test_a_forgotten_shard_keeps_its_schema_and_names_the_lines_that_begin_anew(url, opened):
    register(url, EAST, now=1)
    opened(EAST).ledger.commit(batch(states=LINES))

    assert forget(url, "east") == ["E1"]

    assert opened().registry.shards() == []
    assert opened(EAST).archive.states("") == LINES
    with pytest.raises(KeyError):
        forget(url, "east")


def test_an_instance_runs_only_as_it_is_registered(url):
    refuse_unregistered(None, [])
    refuse_unregistered(EAST, [EAST, REST])

    for shard, shards, why in (
        (None, [REST], "these settings name none"),
        (EAST, [REST], "isn't registered"),
        (Shard("east", ("E*",)), [EAST, REST], "registered with the lines E\\*, F1"),
        (EAST, [EAST], "would be lost"),
    ):
        with pytest.raises(StoreRevisionError, match=why):
            refuse_unregistered(shard, shards)


def test_shards_need_postgresql(tmp_path):
    with pytest.raises(StoreRevisionError, match="need PostgreSQL"):
        register(f"sqlite:///{tmp_path}/store.db", EAST, now=1)


def test_a_shards_store_that_was_never_made_is_told(url):
    register(url, REST, now=1)

    with pytest.raises(StoreRevisionError, match="shard east: the store has no schema yet"):
        open_store(url, migrate=False, shard=EAST)


def test_after_a_restore_into_a_new_database_registering_each_shard_again_is_enough(divided):
    _execute(divided, "DROP SCHEMA shard_east CASCADE", "DROP SCHEMA earlybell_all_shards CASCADE")

    with pytest.raises(StoreRevisionError, match="isn't there: run `earlybell upgrade-store"):
        open_united(divided)

    for shard in (Shard("west", ("W1",)), EAST):
        register(divided, shard, now=1)
        united = open_united(divided)
        assert united.archive.notices(states=None, limit=1, after=None) == []
        united.close()


def test_a_shard_that_is_put_back_goes_on_with_its_own_numbers(divided, opened, tmp_path):
    east = opened(EAST)
    back_up(divided, tmp_path / "copy", shard=EAST)
    east.outbox.add([delivery("a", "a:hook", at=1)])
    (before,) = east.outbox.deliveries(state=None, limit=1, after=None)

    restore(divided, tmp_path / "copy", force=True, now=2, shard=EAST)
    east.outbox.add([delivery("b", "b:hook", at=2)])

    (after,) = east.outbox.deliveries(state=None, limit=1, after=None)
    assert before.id < after.id < before.id + 10


def _execute(url: str, *statements: str) -> None:
    engine = migrator(parse(url))
    with engine.begin() as connection:
        for each in statements:
            connection.execute(text(each))
