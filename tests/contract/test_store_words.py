"""What a shard tells the others is in the commit of what it tells of, in order, once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import pytest

from service.domain.shards import Shard
from service.ports import Batch
from service.store import Store, open_store, register
from tests.contract.builders import batch, entry
from tests.support.postgres import Postgres, shared_postgres


def telling(position: int, word: bytes | None, *, at: int = 1) -> Batch:
    return replace(batch(position, journal=[entry(at)]), word=word)


def test_words_are_heard_in_order_behind_a_position_and_a_repeated_commit_says_nothing_twice(
    store: Store,
) -> None:
    for each in (telling(0, b"one"), telling(0, b"one"), telling(1, None), telling(2, b"two")):
        store.ledger.commit(each)

    (first, one), (second, two) = store.words.after(0, limit=10)

    assert (one, two) == (b"one", b"two")
    assert store.words.oldest() == first
    assert store.words.after(first, limit=10) == [(second, b"two")]
    assert store.words.after(0, limit=1) == [(first, b"one")]
    assert store.words.after(second, limit=10) == []


def test_a_batch_that_is_refused_says_nothing(store: Store) -> None:
    store.ledger.commit(telling(0, b"one"))
    with pytest.raises(ValueError, match="next entry is 1"):
        store.ledger.commit(telling(0, b"other", at=2))

    assert [word for _, word in store.words.after(0, limit=10)] == [b"one"]


def test_old_words_are_forgotten_and_positions_go_on(store: Store) -> None:
    store.ledger.commit(telling(0, b"old", at=1))
    ((old, _),) = store.words.after(0, limit=10)
    assert store.words.forget(before=2) == 1
    assert store.words.oldest() is None

    store.ledger.commit(telling(1, b"new", at=3))

    ((new, word),) = store.words.after(old, limit=10)
    assert (new > old, word) == (True, b"new")


@pytest.fixture
def open_shard() -> Iterator[Callable[[Shard], Store]]:
    server: Postgres = shared_postgres()
    name = server.create()
    stores: list[Store] = []

    def open_it(shard: Shard) -> Store:
        register(server.url(name), shard, now=1)
        stores.append(open_store(server.url(name), migrate=False, shard=shard))
        return stores[-1]

    yield open_it
    for store in stores:
        store.close()
    server.drop(name)


def test_each_shard_reads_what_the_others_say(open_shard: Callable[[Shard], Store]) -> None:
    rest, east = Shard("rest", ("*",)), Shard("east", ("E*",))
    stores = {shard.name: open_shard(shard) for shard in (rest, east)}
    for name, store in stores.items():
        store.ledger.commit(telling(0, name.encode()))

    assert [word for _, word in stores["rest"].words_of(east).after(0, limit=5)] == [b"east"]
    assert [word for _, word in stores["east"].words_of(rest).after(0, limit=5)] == [b"rest"]
