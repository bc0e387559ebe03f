"""What the store forgets when it is told to, and what it keeps however old it is."""

from __future__ import annotations

from service.ports import Settled
from service.store import Store, prunable
from tests.contract.builders import batch, closed, delivery, entries, entry, opened, refused
from tests.support.notices import AT


def numbers(store: Store) -> list[int]:
    return [number for number, _ in store.archive.journal(position=0)]


def settle_all(store: Store, state: str = "sent", at: int = 1) -> None:
    for claimed in store.outbox.claim(owner="a", now=0, lease_until=1, limit=100):
        settled = Settled(state=state, at=at, covers=0)  # type: ignore[arg-type]
        assert store.outbox.settle(claimed, owner="a", settled=settled)


def test_everything_wholly_older_is_forgotten_and_counted(store: Store) -> None:
    store.ledger.commit(
        batch(
            journal=entries(1, 2),
            states={"a": b"1"},
            notices=[closed("n1")],
            deliveries=[delivery("k1"), delivery("k2", "n2:hook")],
            refused=[refused(b"a"), refused(b"b")],
        )
    )
    settle_all(store)
    store.ledger.save_checkpoint(0, 1, {})
    store.ledger.save_checkpoint(2, AT + 500, {})
    assert store.ledger.prune(before=AT + 1_000) == 1 + 1 + 1 + 2 + 2
    assert numbers(store) == []
    assert store.archive.notice("n1") is None
    assert store.archive.refused(limit=10, after=None) == []
    assert store.archive.checkpoint(at=None) == (2, AT + 500, {})
    assert store.ledger.load().states == {"a": b"1"}
    assert store.ledger.prune(before=AT + 1_000) == 0


def test_what_would_be_forgotten_is_said_before_and_nothing_is_touched(store: Store) -> None:
    store.ledger.commit(
        batch(
            journal=entries(1, 2),
            notices=[closed("n1"), opened("n2")],
            deliveries=[delivery("k1"), delivery("k2", "n2:hook")],
            refused=[refused(b"a"), refused(b"b")],
        )
    )
    store.ledger.save_checkpoint(1, 1, {"a": b"12345"})
    store.ledger.save_checkpoint(2, 2, {"a": b"12345"})
    said = prunable(store.database, AT + 1_000)
    assert {name: each.rows for name, each in said.items() if each.rows} == {
        "journal": 1,
        "checkpoint": 1,
        "refused": 2,
    }
    assert said["journal"].size > said["refused"].size == 0
    assert prunable(store.database, AT + 1_000) == said
    assert store.ledger.prune(before=AT + 1_000) == 4
    assert not any(each.rows for each in prunable(store.database, AT + 1_000).values())


def test_the_next_number_survives_the_journal(store: Store) -> None:
    store.ledger.commit(batch(journal=entries(1, 2, 3)))
    store.ledger.prune(before=100)
    assert (store.ledger.load().position, store.ledger.load().at) == (3, 3)
    store.ledger.commit(batch(3, journal=entries(200)))
    assert numbers(store) == [3]


def test_what_is_as_old_as_the_limit_or_younger_in_part_is_kept(store: Store) -> None:
    store.ledger.commit(batch(journal=entries(1, 50), refused=[refused(at=49), refused(b"x", at=50)]))
    store.ledger.commit(batch(2, refused=[refused(at=51)]))
    assert store.ledger.prune(before=50) == 0
    assert numbers(store) == [0, 1]


def test_what_is_open_is_kept_however_old(store: Store) -> None:
    store.ledger.commit(
        batch(
            notices=[opened("n1"), opened("n2", state="taken"), closed("n3")],
            deliveries=[delivery("k1"), delivery("k3", "n3:hook")],
        )
    )
    assert store.ledger.prune(before=10 * AT) == 0
    claimed = store.outbox.claim(owner="a", now=0, lease_until=1, limit=10)
    # The closed notice stays while it is yet to be told: the delivery says what is true now.
    assert [one.latest and one.latest.state for one in claimed] == [None, "closed"]


def test_a_notice_that_was_told_and_closed_is_forgotten(store: Store) -> None:
    store.ledger.commit(batch(notices=[closed("n1")], deliveries=[delivery("k1")]))
    settle_all(store, at=10 * AT)
    assert store.ledger.prune(before=9 * AT) == 1
    assert store.archive.notice("n1") is None


def test_dead_and_replaced_deliveries_are_settled_too(store: Store) -> None:
    store.ledger.commit(batch(deliveries=[delivery("k1"), delivery("k2")]))
    [first] = store.outbox.claim(owner="a", now=0, lease_until=1, limit=1)
    assert store.outbox.settle(first, owner="a", settled=Settled(state="sent", at=1, covers=9))
    store.ledger.commit(batch(deliveries=[delivery("k3")]))
    settle_all(store, "dead")
    assert store.ledger.prune(before=2) == 3


def test_the_newest_checkpoint_not_after_the_limit_stays_with_all_that_follows_it(store: Store) -> None:
    for number in range(10):
        store.ledger.commit(batch(number, journal=[entry(number * 10)]))
    for position in (2, 4, 8):
        store.ledger.save_checkpoint(position, position * 10, {})
    store.ledger.prune(before=65)
    assert store.archive.checkpoint(at=None) == (4, 40, {})
    assert store.archive.checkpoint(at=10**6) == (8, 80, {})
    assert numbers(store) == [4, 5, 6, 7, 8, 9]


def test_a_batch_that_a_checkpoint_begins_inside_is_kept(store: Store) -> None:
    store.ledger.commit(batch(journal=entries(1, 2, 3)))
    store.ledger.save_checkpoint(2, 3, {})
    assert store.ledger.prune(before=100) == 0
    assert numbers(store) == [0, 1, 2]


def test_much_is_forgotten_in_one_call(store: Store) -> None:
    store.ledger.commit(batch(refused=[refused(b"%d" % n) for n in range(1_201)]))
    assert store.ledger.prune(before=100) == 1_201
