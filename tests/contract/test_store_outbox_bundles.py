"""What one message may tell: rows claimed together and settled together; those that nobody need hear of."""

from __future__ import annotations

from typing import Any

import pytest

from service.domain.traffic import Traffic
from service.ports import Delivery, NewDelivery, Settled
from service.store import Store
from tests.contract.builders import batch, closed, delivery, opened


def enqueue(store: Store, *deliveries: NewDelivery, notices: Any = ()) -> None:
    position = store.ledger.load().position
    store.ledger.commit(batch(position, notices=list(notices), deliveries=deliveries))


def take(store: Store, *, now: int = 0, outlet: str = "chat", limit: int = 100, **which: Any) -> list[str]:
    return [each.key for each in claimed(store, now=now, outlet=outlet, limit=limit, **which)]


def claimed(
    store: Store, *, now: int = 0, outlet: str = "chat", limit: int = 100, **which: Any
) -> list[Delivery]:
    return store.outbox.claim(
        owner="a", now=now, lease_until=now + 100, limit=limit, outlet=outlet, bundle=True, **which
    )


def sent(**more: Any) -> Settled:
    said: dict[str, Any] = {"state": "sent", "at": 50, "covers": 0}
    return Settled(**said | more)


def again(at: int) -> Settled:
    return Settled(state="waiting", at=at, covers=0, not_before=at, error="answered 503")


@pytest.fixture
def tried(store: Store) -> Store:
    """``old`` was tried and waits until 60, ``older`` until 40; ``new`` was never tried; another outlet's."""
    enqueue(store, delivery("old", "n1:chat"), delivery("older", "n2:chat"))
    old, older = claimed(store)
    store.outbox.settle_all([(old, again(60)), (older, again(40))], owner="a")
    enqueue(store, delivery("new", "n3:chat", at=30), delivery("mail", "n3:mail"))
    return store


def test_what_waits_for_its_next_try_goes_along_with_what_is_due_and_behind_it(tried: Store) -> None:
    assert take(tried, now=50) == ["new", "older", "old"]


def test_when_nothing_is_due_nothing_goes_along(tried: Store) -> None:
    assert take(tried, now=20) == []


def test_what_was_tried_and_what_is_new_may_go_apart(tried: Store) -> None:
    assert take(tried, now=30, tried=True) == []
    assert take(tried, now=30, tried=False) == ["new"]
    assert take(tried, now=40, tried=True) == ["older", "old"]


def test_a_bundle_takes_no_more_than_its_limit_and_of_each_conversation_the_oldest(tried: Store) -> None:
    enqueue(tried, delivery("later", "n3:chat", at=30))
    assert take(tried, now=50, limit=2) == ["new", "older"]
    assert take(tried, now=60, limit=2) == ["old"]


def test_what_is_being_sent_does_not_go_along_before_its_lease_has_run_out(tried: Store) -> None:
    assert take(tried, now=40, tried=True) == ["older", "old"]
    assert take(tried, now=50) == ["new"]
    assert sorted(take(tried, now=140)) == ["old", "older"]


@pytest.mark.parametrize(
    ("latest", "presses"),
    [
        (opened("n1", level="early"), False),
        (opened("n1", level="urgent", version=2), True),
        (opened("n1", level="empty", version=2), True),
        (opened("n1", level="urgent", state="taken", version=3), False),
        (closed("n1", level="urgent", version=3), False),
    ],
)
def test_only_what_is_open_and_urgent_by_now_presses_and_then_all_goes_along(
    store: Store, latest: Any, presses: bool
) -> None:
    first, other = opened("n1", level="early"), opened("n2", level="early")
    enqueue(
        store,
        delivery("a", "n1:chat", about=first),
        delivery("b", "n2:chat", about=other),
        notices=[first, other],
    )
    enqueue(store, notices=[latest])
    assert take(store, pressing=True) == (["a", "b"] if presses else [])
    assert take(store) == ([] if presses else ["a", "b"])


def test_a_bundle_is_settled_row_by_row_in_one_go(store: Store) -> None:
    enqueue(store, *(delivery(name, f"{name}:chat") for name in ("a", "b", "c")))
    a, b, c = claimed(store)
    known = Traffic(full_at=9, succeeded_at=50, failed_at=40, error="answered 503")
    ends = [
        (a, sent()),
        (b, again(60)),
        (c, Settled(state="dead", at=50, covers=0, error="no", traffic=known)),
    ]
    assert store.outbox.settle_all(ends, owner="other") == [False, False, False]
    assert store.outbox.traffic() == {}
    assert store.outbox.settle_all(ends, owner="a") == [True, True, True]
    assert store.outbox.settle_all(ends, owner="a") == [True, True, True], "as after a lost answer"
    rows = store.outbox.deliveries(state=None, limit=9, after=None)
    assert sorted((row.state, row.attempts) for row in rows) == [("dead", 1), ("sent", 1), ("waiting", 1)]
    assert store.outbox.traffic() == {"chat": known}


def test_one_that_lost_its_lease_does_not_cost_the_others_their_end(store: Store) -> None:
    enqueue(store, delivery("a", "n1:chat"), delivery("b", "n2:chat"))
    a, b = claimed(store)
    store.outbox.take_back(owner="a", now=1)
    (newer,) = claimed(store, now=1, limit=1)
    assert newer.key == "a"
    assert store.outbox.settle_all([(a, sent()), (b, sent())], owner="a") == [False, True]
    assert store.outbox.settle(newer, owner="a", settled=sent())


def test_what_need_not_be_told_is_replaced_with_what_waits_behind_it_and_stays_to_be_seen(
    store: Store,
) -> None:
    rows = [delivery(f"v{n}", "n1:chat", about=opened("n1", version=n)) for n in (1, 2, 3)]
    enqueue(store, *rows)
    (first,) = claimed(store)
    assert store.outbox.settle_all([(first, sent(state="replaced", covers=2))], owner="a") == [True]
    assert take(store) == ["v3"]
    seen = store.outbox.deliveries(state="replaced", limit=9, after=None)
    assert [row.version for row in seen] == [2, 1]
