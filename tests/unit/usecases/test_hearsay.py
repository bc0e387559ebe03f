"""Listening to what another shard tells, as its store has it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import msgspec
import pytest

from service.domain.events import Elsewhere
from service.store import Store, open_store
from service.usecases.batch import Ask
from service.usecases.hearsay import MOST_AT_ONCE, Hearsay
from tests.contract.builders import batch, entry


class Told:
    """The words of shard east, and what whoever listens is handed."""

    def __init__(self, store: Store) -> None:
        self.store = store
        self.asks: list[Ask] = []
        self.missed: list[str] = []
        self.most = 10_000

    def tell(self, *words: bytes, at: int = 1) -> None:
        for word in words:
            position = self.store.archive.position()
            told = batch(position, journal=[entry(at, b"%d" % position)])
            self.store.ledger.commit(replace(told, word=word))

    def listener(self, heard: int = 0) -> Hearsay:
        return Hearsay(
            {"east": self.store.words},
            heard={"east": heard},
            put=self.asks.append,
            has_room=lambda: len(self.asks) < self.most,
            missed=self.missed.append,
            beat=lambda: None,
        )

    def positions(self) -> list[int]:
        said = [ask.message for ask in self.asks]
        return [each.position for each in said if isinstance(each, Elsewhere)]


@pytest.fixture
def told(tmp_path: Path) -> Iterator[Told]:
    store = open_store(f"sqlite:///{tmp_path}/east.db", migrate=True)
    yield Told(store)
    store.close()


def word(used: int) -> bytes:
    return msgspec.json.encode(Elsewhere(shard="whatever", used={"R-7": used}))


def test_each_word_is_handed_on_once_in_order_with_whose_it_is_and_how_far_that_was(told: Told) -> None:
    listener = told.listener()
    told.tell(word(1), word(2))
    listener.look()
    told.tell(word(3))
    listener.look()
    listener.look()

    said = [ask.message for ask in told.asks]
    assert [(each.shard, each.used) for each in said if isinstance(each, Elsewhere)] == [
        ("east", {"R-7": used}) for used in (1, 2, 3)
    ]
    assert told.positions() == sorted(set(told.positions()))
    assert {(ask.address.kind, ask.data) for ask in told.asks} == {
        ("elsewhere", msgspec.json.encode(each)) for each in said
    }


def test_who_begins_again_goes_on_behind_what_was_heard(told: Told) -> None:
    told.tell(word(1), word(2), word(3))
    told.listener().look()
    first, *later = told.positions()
    told.asks.clear()

    told.listener(heard=first).look()

    assert told.positions() == later
    assert told.missed == []


def test_more_than_fits_in_one_look_at_the_store_is_heard_all_the_same(told: Told) -> None:
    told.tell(*[word(1)] * (MOST_AT_ONCE + 1))

    told.listener().look()

    assert len(told.asks) == MOST_AT_ONCE + 1


def test_no_more_is_heard_than_there_is_room_for_and_the_rest_later(told: Told) -> None:
    told.tell(*[word(1)] * (MOST_AT_ONCE + 1))
    told.most = MOST_AT_ONCE
    listener = told.listener()
    listener.look()
    assert len(told.asks) == MOST_AT_ONCE

    told.most += 1
    listener.look()

    assert len(told.asks) == MOST_AT_ONCE + 1


def test_what_was_forgotten_before_it_was_heard_is_told_once(told: Told) -> None:
    told.tell(word(1), word(2), at=1)
    told.tell(word(3), at=9)
    told.store.words.forget(before=5)

    listener = told.listener(heard=1)
    listener.look()
    listener.look()

    assert (told.missed, len(told.asks)) == (["east"], 1)


def test_a_word_that_cannot_be_read_does_not_keep_the_next_from_being_heard(told: Told) -> None:
    told.tell(b"{", word(2))

    told.listener().look()

    assert (told.missed, len(told.asks)) == (["east"], 1)
