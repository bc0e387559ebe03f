"""The one writer's side of the store: commits, their repetition, and what a start gets back."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from service.ports import Settled
from service.store import Store
from tests.contract.builders import batch, closed, delivery, entries, entry, opened, refused

LARGEST = 2**63 - 1
ANY_TEXT = st.text(st.characters(), max_size=8)
FEW = settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])


def test_a_new_store_is_empty(store: Store) -> None:
    snapshot = store.ledger.load()
    assert (snapshot.position, snapshot.states, snapshot.notices) == (0, {}, [])


def test_what_was_committed_is_there_when_the_store_is_opened_again(
    store: Store, open_again: Callable[..., Store]
) -> None:
    notice, sending = opened("n1", part="R-10K \N{SNOWMAN}"), delivery("k1")
    store.ledger.commit(
        batch(
            journal=entries(5, 7),
            states={"site": b"\x00\xff", "line/L3": b""},
            notices=[notice],
            deliveries=[sending],
            refused=[refused()],
        )
    )
    again = open_again()
    snapshot = again.ledger.load()
    assert (snapshot.position, snapshot.at) == (2, 7)
    assert snapshot.states == {"site": b"\x00\xff", "line/L3": b""}
    assert snapshot.notices == [notice]
    assert list(again.archive.journal(position=0)) == list(enumerate(entries(5, 7)))
    assert again.outbox.backlog() == {("hook", "waiting"): 1}
    assert len(again.archive.refused(limit=10, after=None)) == 1


def test_a_start_gets_only_the_notices_that_are_not_closed(store: Store) -> None:
    kept = [opened("n1"), opened("n2", state="taken"), opened("n3", state="quiet")]
    store.ledger.commit(batch(notices=[*kept, closed("n4")]))
    assert list(store.ledger.load().notices) == kept


def test_a_closed_notice_may_open_again(store: Store) -> None:
    store.ledger.commit(batch(notices=[closed("n1")]))
    store.ledger.commit(batch(notices=[opened("n1", version=4)]))
    assert [notice.version for notice in store.ledger.load().notices] == [4]


def test_the_last_version_of_a_notice_within_a_batch_counts(store: Store) -> None:
    store.ledger.commit(batch(notices=[opened("n1"), opened("n1", version=2, level="urgent")]))
    assert [notice.version for notice in store.ledger.load().notices] == [2]


def test_states_are_replaced_and_none_deletes_them(store: Store) -> None:
    store.ledger.commit(batch(states={"a": b"1", "b": b"1", "c": b"1"}))
    store.ledger.commit(batch(states={"a": b"2", "b": None, "never": None}))
    assert store.ledger.load().states == {"a": b"2", "c": b"1"}


def test_the_end_of_the_journal_stays_when_a_batch_has_no_entries(store: Store) -> None:
    store.ledger.commit(batch(journal=entries(9)))
    store.ledger.commit(batch(1, states={"a": b"1"}))
    snapshot = store.ledger.load()
    assert (snapshot.position, snapshot.at, snapshot.states) == (1, 9, {"a": b"1"})


def test_committing_a_batch_twice_changes_nothing_the_second_time(store: Store) -> None:
    full = batch(
        journal=entries(1, 2, 3), notices=[opened("n1")], deliveries=[delivery("k1")], refused=[refused()]
    )
    store.ledger.commit(full)
    [claimed] = store.outbox.claim(owner="a", now=1, lease_until=2, limit=1)
    assert store.outbox.settle(claimed, owner="a", settled=Settled(state="sent", at=1, covers=1))
    store.ledger.commit(full)
    assert store.ledger.load().position == 3
    assert len(list(store.archive.journal(position=0))) == 3
    assert store.outbox.backlog() == {}
    assert [row.times for row in store.archive.refused(limit=10, after=None)] == [1]


def test_a_repeat_without_journal_entries_counts_no_refused_message_twice(store: Store) -> None:
    first, second = batch(refused=[refused(at=1)]), batch(refused=[refused(at=2)])
    for committed in (first, first, second, second):
        store.ledger.commit(committed)
    assert [row.times for row in store.archive.refused(limit=10, after=None)] == [2]


def test_a_repeat_of_an_earlier_batch_brings_no_old_state_back(store: Store) -> None:
    old = batch(journal=entries(1), states={"a": b"old"})
    store.ledger.commit(old)
    store.ledger.commit(batch(1, journal=entries(2), states={"a": b"new"}))
    store.ledger.commit(old)
    assert store.ledger.load().states == {"a": b"new"}


def test_entries_that_are_stored_in_other_batches_are_a_repeat(store: Store) -> None:
    store.ledger.commit(batch(journal=entries(1, 2)))
    store.ledger.commit(batch(2, journal=entries(3, 4)))
    store.ledger.commit(batch(1, journal=entries(2, 3)))
    assert store.ledger.load().position == 4


@pytest.mark.parametrize(
    ("position", "instants"),
    [(3, [3]), (1, [2, 3]), (0, [1, 2, 3]), (0, [1, 9]), (1, [9]), (0, []), (3, []), (-1, [1])],
)
def test_a_batch_that_is_neither_next_nor_stored_is_a_programming_error(
    store: Store, position: int, instants: list[int]
) -> None:
    store.ledger.commit(batch(journal=entries(1, 2), states={"a": b"1"}))
    with pytest.raises(ValueError, match="next entry is 2"):
        store.ledger.commit(batch(position, journal=entries(*instants), states={"a": b"wrong"}))
    snapshot = store.ledger.load()
    assert (snapshot.position, snapshot.states) == (2, {"a": b"1"})


def test_what_no_column_can_hold_fails_on_both_databases_and_writes_nothing(store: Store) -> None:
    wrong = batch(journal=entries(1), states={"a": b"1"}, deliveries=[delivery("k1", at=LARGEST + 1)])
    with pytest.raises(Exception, match=r"(?i)too large|out of range"):
        store.ledger.commit(wrong)
    snapshot = store.ledger.load()
    assert (snapshot.position, snapshot.states) == (0, {})


def test_the_largest_numbers_come_back(store: Store) -> None:
    store.ledger.commit(
        batch(
            journal=[entry(LARGEST)],
            notices=[opened("n1", version=LARGEST)],
            deliveries=[delivery("k1", at=LARGEST, about=opened("n1", version=LARGEST))],
            refused=[refused(at=LARGEST)],
        )
    )
    store.ledger.save_checkpoint(LARGEST, LARGEST, {})
    assert store.ledger.load().at == LARGEST
    assert store.outbox.next_due() == LARGEST
    assert store.archive.checkpoint(at=LARGEST) == (LARGEST, LARGEST, {})
    [claimed] = store.outbox.claim(owner="a", now=LARGEST, lease_until=LARGEST, limit=1)
    assert claimed.notice.version == LARGEST


@FEW
@example(states={"\ud7ff": b"", "\ue000": b""}, prefix="\ud7ff")
@example(states={"a\U0010ffff": b"", "b": b""}, prefix="a\U0010ffff")
@given(states=st.dictionaries(ANY_TEXT, st.binary(max_size=8), max_size=6), prefix=ANY_TEXT)
def test_any_text_is_a_key_and_any_beginning_finds_it(
    store: Store, states: dict[str, bytes], prefix: str
) -> None:
    wanted = {**states, prefix + "x": b"", prefix: b"", "%_\\": b"", "\\0000": b"", "\0": b"", "\ud800z": b""}
    gone = dict.fromkeys(store.ledger.load().states.keys() - wanted.keys())
    store.ledger.commit(batch(states={**gone, **wanted}))
    assert store.ledger.load().states == wanted
    found = store.archive.states(prefix)
    assert found == {key: data for key, data in wanted.items() if key.startswith(prefix)}


@pytest.mark.parametrize("text", ["nul \0 here", "half a pair \ud83d", "'; DROP TABLE state; --", "\\0000"])
def test_no_text_in_a_notice_stops_a_commit(store: Store, text: str) -> None:
    odd = opened(f"n {text}", part=text, message=text, slot=text)
    store.ledger.commit(batch(notices=[odd], deliveries=[delivery(text, f"{text}:{text}", about=odd)]))
    shown = store.archive.notice(f"n {text}")
    assert shown is not None
    assert shown.message == text.replace("\ud83d", "\N{REPLACEMENT CHARACTER}")
    [claimed] = store.outbox.claim(owner=text, now=0, lease_until=1, limit=1)
    assert (claimed.key, claimed.outlet) == (text, text)
    assert store.outbox.settle(claimed, owner=text, settled=Settled(state="dead", at=1, covers=1, error=text))


def test_a_checkpoint_is_replaced_by_one_at_the_same_position(store: Store) -> None:
    store.ledger.save_checkpoint(5, 50, {"a": b"old"})
    store.ledger.save_checkpoint(5, 51, {"a\0\ud800": b"new"})
    assert store.archive.checkpoint(at=None) == (5, 51, {"a\0\ud800": b"new"})


def test_large_states_come_back(store: Store) -> None:
    states = {f"supply/{n}": bytes([n]) * 300_000 for n in range(5)}
    store.ledger.commit(batch(states=states))
    store.ledger.save_checkpoint(0, 0, states)
    assert store.archive.states("supply/") == states
    assert store.archive.checkpoint(at=0) == (0, 0, states)
