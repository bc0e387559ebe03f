"""What is told of a store's size and of what waits in it, on both databases."""

from __future__ import annotations

import threading
import time

import pytest
from sqlalchemy import Connection, text

from service.ports import StoreError
from service.store import Store
from service.store.database import connect
from service.store.engines import parse
from service.store.measure import HELD_BACK, measure
from tests.contract.builders import batch, closed, delivery, entries, opened
from tests.support.ports import free_port
from tests.support.postgres import Postgres

NOW = HELD_BACK + 5


def test_an_empty_store_has_a_size_and_nothing_in_it(store: Store) -> None:
    found = measure(store.database, now=NOW)
    assert found.size > 10_000
    assert (found.entries, found.oldest, found.waits, found.notices) == (0, None, {}, {})


def test_what_is_free_is_known_where_the_file_lies_and_else_is_not(store: Store, backend: str) -> None:
    free = measure(store.database, now=NOW).free
    assert (free is not None and free > 0) if backend == "sqlite" else free is None


def test_the_journals_entries_are_counted_from_the_first_and_the_oldest_that_is_kept_is_told(
    store: Store,
) -> None:
    store.ledger.commit(batch(journal=entries(10, 20)))
    store.ledger.commit(batch(2, journal=entries(30)))
    found = measure(store.database, now=NOW)
    assert (found.entries, found.oldest) == (3, 10)
    store.ledger.prune(before=25)
    found = measure(store.database, now=NOW)
    assert (found.entries, found.oldest) == (3, 30)


def test_of_each_outlet_the_oldest_that_is_not_over_is_told(store: Store) -> None:
    these = [
        delivery("a", "n1:mail", at=5),
        delivery("b", "n2:mail", at=3),
        delivery("c", "n1:hook", at=9),
    ]
    store.ledger.commit(batch(journal=entries(10), deliveries=these))
    assert measure(store.database, now=NOW).waits == {"mail": 3}, "what may yet be told together isn't late"
    store.outbox.claim(owner="me", now=20, lease_until=30, limit=9)
    assert measure(store.database, now=NOW).waits == {"mail": 3, "hook": 9}


def test_notices_that_are_not_closed_are_counted_by_level(store: Store) -> None:
    these = [opened("a", level="early"), opened("b", level="empty"), opened("c", level="empty"), closed("d")]
    store.ledger.commit(batch(journal=entries(10), notices=these))
    assert measure(store.database, now=NOW).notices == {"early": 1, "empty": 2}


def test_a_store_grows_with_what_is_in_it(store: Store) -> None:
    before = measure(store.database, now=NOW).size
    store.ledger.commit(batch(journal=entries(10), states={f"site/{n}": b"\x07" * 4000 for n in range(200)}))
    assert measure(store.database, now=NOW).size > before + 500_000


def test_one_that_is_away_says_so(postgres: Postgres) -> None:
    away = parse(postgres.url("none")).set(port=free_port())
    with pytest.raises(StoreError):
        measure(connect(away), now=NOW)


def test_as_many_readers_as_there_may_be_leave_the_writer_its_connection(store: Store) -> None:
    over, inside = threading.Event(), threading.Semaphore(0)

    def linger(connection: Connection) -> None:
        connection.execute(text("SELECT 1"))
        inside.release()
        over.wait(30)

    readers = [threading.Thread(target=store.database.read, args=(linger,)) for _ in range(15)]
    for reader in readers:
        reader.start()
    try:
        assert all(inside.acquire(timeout=10) for _ in readers)
        began = time.monotonic()
        store.ledger.commit(batch(journal=entries(10)))
        assert time.monotonic() - began < 4, "it waited for a reader"
    finally:
        over.set()
        for reader in readers:
            reader.join()
