"""Deliveries that wait: order within a conversation, leases and their fence, and what is told already."""

from __future__ import annotations

from typing import Any, Literal

import pytest

from service.domain.model import Change
from service.domain.traffic import Traffic
from service.outgoing import DeliveryState, NotDead
from service.ports import Delivery, NewDelivery, Settled
from service.store import Store
from tests.contract.builders import batch, closed, delivery, opened


def enqueue(store: Store, *deliveries: NewDelivery) -> None:
    store.ledger.commit(batch(deliveries=deliveries))


def claim(
    store: Store, *, now: int = 0, owner: str = "a", lease: int = 100, limit: int = 100
) -> list[Delivery]:
    return store.outbox.claim(owner=owner, now=now, lease_until=now + lease, limit=limit)


def keys(deliveries: list[Delivery]) -> list[str]:
    return [one.key for one in deliveries]


def settle(
    store: Store,
    claimed: Delivery,
    state: Literal["sent", "waiting", "dead"] = "sent",
    *,
    owner: str = "a",
    covers: int = 0,
    not_before: int | None = None,
    error: str | None = None,
) -> bool:
    settled = Settled(state=state, at=50, covers=covers, not_before=not_before, error=error)
    return store.outbox.settle(claimed, owner=owner, settled=settled)


def test_a_claimed_delivery_is_what_was_enqueued(store: Store) -> None:
    told = opened("n1", level="urgent", version=2)
    new = NewDelivery(
        key="k1", outlet="hook", conversation="n1:hook", change=Change.CHANGED, notice=told, at=7
    )
    store.ledger.commit(batch(notices=[told], deliveries=[new]))
    [claimed] = claim(store, now=7)
    assert claimed == Delivery(
        id=claimed.id,
        key="k1",
        outlet="hook",
        conversation="n1:hook",
        change=Change.CHANGED,
        notice=told,
        latest=None,
        attempts=1,
        created_at=7,
        claimed_at=7,
    )


def test_the_version_that_an_attempt_told_is_remembered_until_it_certainly_did_not_arrive(
    store: Store,
) -> None:
    """Refused it is forgotten; cut off, it may have arrived, and so the next attempt knows it."""
    enqueue(store, delivery("n1"))
    [first] = claim(store, now=0)
    store.outbox.settle(first, owner="a", settled=_waits(untouched=True))
    [second] = claim(store, now=60, lease=100)
    assert (first.tried, second.tried) == (None, None)
    store.ledger.commit(batch(store.ledger.load().position, notices=[closed("n1", version=3)]))
    store.outbox.take_back(owner="a", now=61)
    [third] = claim(store, now=61)
    assert (third.tried, third.latest.version if third.latest else None) == (1, 3)
    store.outbox.settle(third, owner="a", settled=_waits(untouched=True))
    [fourth] = claim(store, now=120)
    assert fourth.tried == 1, "what may have arrived stays so"


def _waits(*, untouched: bool) -> Settled:
    return Settled(state="waiting", at=50, covers=1, not_before=50, error="no", untouched=untouched)


def test_the_notice_as_it_is_now_comes_along_when_it_is_newer(store: Store) -> None:
    now = closed("n1", version=3)
    store.ledger.commit(
        batch(
            notices=[now],
            deliveries=[
                delivery("old", "n1:a", about=opened("n1", version=2)),
                delivery("same", "n1:b", about=now),
                delivery("ahead", "n1:c", about=opened("n1", version=4)),
                delivery("unknown", "n2:a"),
            ],
        )
    )
    latest = {one.key: one.latest for one in claim(store)}
    assert latest == {"old": now, "same": None, "ahead": None, "unknown": None}


def test_only_what_is_due_is_claimed(store: Store) -> None:
    enqueue(store, delivery("a", "n1:hook", at=5), delivery("b", "n2:hook", at=6))
    assert claim(store, now=4) == []
    assert keys(claim(store, now=5)) == ["a"]
    assert claim(store, now=5) == []


def test_a_key_enqueued_twice_is_one_row(store: Store) -> None:
    enqueue(store, delivery("a", "n1:hook"), delivery("a", "n1:hook"))
    enqueue(store, delivery("a", "n9:mail", at=3))
    [claimed] = claim(store)
    assert claimed.conversation == "n1:hook"
    assert settle(store, claimed)
    enqueue(store, delivery("a", "n1:hook"))
    assert claim(store, now=1_000) == []


def test_those_longest_due_go_first_up_to_the_limit(store: Store) -> None:
    enqueue(store, *[delivery(f"k{n}", f"n{n}:hook", at=9 - n) for n in range(5)])
    assert keys(claim(store, now=10, limit=2)) == ["k4", "k3"]
    assert keys(claim(store, now=10, limit=2)) == ["k2", "k1"]
    assert keys(claim(store, now=10, limit=2)) == ["k0"]


def test_one_of_a_conversation_is_claimed_and_it_is_the_oldest(store: Store) -> None:
    enqueue(store, delivery("a1", "n1:hook"), delivery("b1", "n2:hook"), delivery("a2", "n1:hook"))
    first = claim(store)
    assert keys(first) == ["a1", "b1"]
    assert claim(store) == []
    assert settle(store, first[0])
    assert keys(claim(store)) == ["a2"]


def test_a_later_delivery_waits_for_an_earlier_one_that_is_not_due(store: Store) -> None:
    enqueue(store, delivery("late", "n1:hook", at=90), delivery("due", "n1:hook", at=1))
    assert claim(store, now=50) == []
    assert keys(claim(store, now=90)) == ["late"]


def test_an_attempt_that_failed_holds_its_conversation(store: Store) -> None:
    enqueue(store, delivery("a"), delivery("b"))
    [claimed] = claim(store)
    assert settle(store, claimed, "waiting", not_before=30, error="503")
    assert claim(store, now=29) == []
    [again] = claim(store, now=30)
    assert (again.key, again.attempts) == ("a", 2)


def test_a_dead_delivery_blocks_nobody(store: Store) -> None:
    enqueue(store, delivery("a"), delivery("b"))
    assert settle(store, claim(store)[0], "dead", error="410")
    assert keys(claim(store)) == ["b"]


def test_a_lease_that_ran_out_is_taken_over_and_counted(store: Store) -> None:
    enqueue(store, delivery("a"))
    claim(store, lease=10, owner="paused")
    assert claim(store, now=9, owner="other") == []
    [claimed] = claim(store, now=10, owner="other")
    assert (claimed.key, claimed.attempts) == ("a", 2)


def test_an_owner_that_comes_back_takes_its_own_lease_at_once_and_no_other(store: Store) -> None:
    enqueue(store, delivery("a"), delivery("b"))
    claim(store, lease=100, limit=1, owner="killed")
    claim(store, lease=100, owner="other")
    store.outbox.take_back(owner="killed", now=5)
    assert [(again.key, again.attempts) for again in claim(store, now=5, owner="killed")] == [("a", 2)]


def test_who_lost_the_lease_writes_nothing(store: Store) -> None:
    enqueue(store, delivery("a"), delivery("b"))
    [mine] = claim(store, lease=10, owner="paused")
    [theirs] = claim(store, now=10, owner="other")
    assert not settle(store, mine, "dead", owner="paused", covers=9)
    assert not settle(store, mine, "sent", owner="other", covers=9)
    assert store.outbox.backlog() == {("hook", "sending"): 1, ("hook", "waiting"): 1}
    assert settle(store, theirs, owner="other")


def test_the_attempt_fences_an_owner_against_its_own_past(store: Store) -> None:
    enqueue(store, delivery("a"))
    [before] = claim(store, lease=10)
    [after] = claim(store, now=10)
    assert not settle(store, before, "dead")
    assert settle(store, after)


def test_a_lease_that_ran_out_unclaimed_may_still_be_settled(store: Store) -> None:
    enqueue(store, delivery("a"))
    [claimed] = claim(store, lease=1)
    assert settle(store, claimed)
    assert claim(store, now=1_000) == []


def test_settling_alike_twice_is_true_and_changes_nothing(store: Store) -> None:
    enqueue(store, delivery("a"), delivery("b"))
    [claimed] = claim(store)
    assert settle(store, claimed, "waiting", not_before=30)
    assert settle(store, claimed, "waiting", not_before=30)
    assert not settle(store, claimed, "sent", covers=9)
    [again] = claim(store, now=30)
    assert not settle(store, claimed, "waiting", not_before=30)
    assert settle(store, again, "sent")
    assert settle(store, again, "sent")
    assert keys(claim(store, now=30)) == ["b"]


def test_what_was_never_claimed_can_not_be_settled(store: Store) -> None:
    enqueue(store, delivery("a"))
    [claimed] = claim(store)
    assert not settle(store, claimed, owner="b")
    assert claimed.attempts == 1


def test_waiting_again_needs_a_time(store: Store) -> None:
    enqueue(store, delivery("a"))
    [claimed] = claim(store)
    with pytest.raises(ValueError, match="until when"):
        settle(store, claimed, "waiting")


def versions(conversation: str, *numbers: int) -> list[NewDelivery]:
    name = conversation.partition(":")[0]
    return [
        delivery(f"{conversation}:{number}", conversation, about=opened(name, version=number))
        for number in numbers
    ]


def test_what_was_told_along_is_replaced_and_the_newer_still_goes(store: Store) -> None:
    enqueue(store, *versions("n1:hook", 1, 2, 3, 4), *versions("n1:mail", 1, 2), *versions("n2:hook", 1))
    first = {one.conversation: one for one in claim(store)}
    assert settle(store, first["n1:hook"], "sent", covers=3)
    assert store.outbox.backlog() == {("hook", "sending"): 1, ("hook", "waiting"): 1, ("mail", "sending"): 1,
                                      ("mail", "waiting"): 1}  # fmt: skip
    assert keys(claim(store)) == ["n1:hook:4"]


@pytest.mark.parametrize("state", ["waiting", "dead"])
def test_only_what_was_sent_replaces(store: Store, state: Literal["waiting", "dead"]) -> None:
    enqueue(store, *versions("n1:hook", 1, 2))
    [claimed] = claim(store)
    assert settle(store, claimed, state, covers=9, not_before=60)
    assert sum(store.outbox.backlog().values()) == 2


def test_a_replaced_delivery_is_neither_due_nor_backlog(store: Store) -> None:
    enqueue(store, *versions("n1:hook", 1, 2))
    [claimed] = claim(store)
    assert settle(store, claimed, "sent", covers=2)
    assert claim(store, now=1_000) == []
    assert store.outbox.next_due() is None
    assert store.outbox.backlog() == {}


def test_the_next_due_time_is_that_of_a_delivery_or_of_a_lease(store: Store) -> None:
    assert store.outbox.next_due() is None
    enqueue(store, delivery("a", "n1:hook", at=40), delivery("b", "n2:hook", at=70))
    assert store.outbox.next_due() == 40
    [claimed] = claim(store, now=40, lease=20)
    assert store.outbox.next_due() == 60
    assert settle(store, claimed, "waiting", not_before=80)
    assert store.outbox.next_due() == 70
    assert keys(claim(store, now=70)) == ["b"]
    assert store.outbox.next_due() == 80


def test_at_the_next_due_time_something_can_be_claimed(store: Store) -> None:
    """A delivery that is due but held back by an earlier one would keep a sender awake for nothing."""
    enqueue(store, delivery("a", "n1:hook", at=90), delivery("b", "n1:hook", at=1))
    assert store.outbox.next_due() == 90
    assert keys(claim(store, now=90)) == ["a"]
    assert store.outbox.next_due() == 190


def test_the_backlog_counts_what_waits_is_being_sent_and_is_dead(store: Store) -> None:
    enqueue(store, *[delivery(f"{o}{n}", f"n{n}:{o}") for o in ("hook", "mail") for n in range(4)])
    hook = [one for one in claim(store) if one.outlet == "hook"]
    assert settle(store, hook[0], "sent")
    assert settle(store, hook[1], "dead")
    assert settle(store, hook[2], "waiting", not_before=60)
    assert store.outbox.backlog() == {
        ("hook", "sending"): 1,
        ("hook", "waiting"): 1,
        ("hook", "dead"): 1,
        ("mail", "sending"): 4,
    }


def test_a_claim_for_one_outlet_leaves_the_others_alone(store: Store) -> None:
    enqueue(store, delivery("a", "n1:hook"), delivery("b", "n1:mail"), delivery("c", "n2:hook"))
    mail = store.outbox.claim(owner="a", now=0, lease_until=100, limit=9, outlet="mail")
    assert keys(mail) == ["b"]
    assert store.outbox.due(now=0) == ["hook"]
    assert keys(claim(store)) == ["a", "c"]


def test_a_claim_of_what_is_fresh_takes_only_what_was_never_tried_and_is_young(store: Store) -> None:
    enqueue(store, delivery("tried", "n1:hook", at=50), delivery("old", "n2:hook", at=40))
    [first, _] = claim(store, now=50)
    assert settle(store, first, "waiting", not_before=55)
    enqueue(store, delivery("young", "n3:hook", at=60))
    fresh = store.outbox.claim(owner="a", now=60, lease_until=100, limit=9, outlet="hook", since=50)
    assert keys(fresh) == ["young"]


def test_the_outlets_that_something_is_due_for_are_named_once(store: Store) -> None:
    assert store.outbox.due(now=100) == []
    enqueue(store, *[delivery(f"{o}{n}", f"n{n}:{o}", at=n) for o in ("hook", "mail") for n in (5, 6)])
    enqueue(store, delivery("later", "n9:chat", at=90))
    assert sorted(store.outbox.due(now=5)) == ["hook", "mail"]
    assert sorted(store.outbox.due(now=90)) == ["chat", "hook", "mail"]
    claim(store, now=90)
    claim(store, now=90, lease=100)
    assert sorted(store.outbox.due(now=90)) == []


def test_the_next_due_time_after_a_moment_is_not_hidden_by_what_is_due_already(store: Store) -> None:
    enqueue(store, delivery("a", "n1:hook", at=10), delivery("b", "n2:hook", at=70))
    assert store.outbox.next_due() == 10
    assert store.outbox.next_due(after=10) == 70
    assert store.outbox.next_due(after=70) is None


def test_what_became_of_an_outlet_is_kept_with_the_end_of_a_delivery_or_not_at_all(store: Store) -> None:
    assert store.outbox.traffic() == {}
    enqueue(store, delivery("a"), delivery("b", "n1:mail"))
    hook, mail = claim(store)
    known = Traffic(failures=6, trips=2, failing_since=3, open_until=9, paused_until=8, full_at=7)
    settled = Settled(state="waiting", at=50, covers=0, not_before=60, traffic=known)
    assert not store.outbox.settle(hook, owner="other", settled=settled)
    assert store.outbox.traffic() == {}
    assert store.outbox.settle(hook, owner="a", settled=settled)
    well = Settled(state="sent", at=50, covers=0, traffic=Traffic(full_at=9))
    assert store.outbox.settle(mail, owner="a", settled=well)
    assert store.outbox.traffic() == {"hook": known, "mail": Traffic(full_at=9)}


def test_what_a_clock_that_stepped_back_would_hold_for_days_is_due_at_the_start(store: Store) -> None:
    day = 24 * 3600 * 1_000_000
    enqueue(store, delivery("a", "n1:hook", at=day), delivery("b", "n2:hook", at=600_000_000))
    store.outbox.take_back(owner="a", now=0)
    assert keys(claim(store)) == ["a"]
    assert store.outbox.next_due(after=200) == 600_000_000


def listed(store: Store, state: DeliveryState | None = None, **page: Any) -> list[int]:
    return [row.id for row in store.outbox.deliveries(state=state, **{"limit": 100, "after": None, **page})]


def test_deliveries_are_listed_newest_first_by_state_and_in_pages(store: Store) -> None:
    enqueue(store, *[delivery(f"k{n}", f"n{n}:hook") for n in range(5)])
    rows = claim(store, limit=3)
    assert settle(store, rows[0], "sent")
    assert settle(store, rows[1], "dead", error="answered 410 Gone")
    ids = sorted(listed(store))
    assert listed(store) == ids[::-1]
    assert listed(store, "sent") == ids[:1]
    assert listed(store, "dead") == ids[1:2]
    assert listed(store, "sending") == ids[2:3]
    assert listed(store, "waiting") == [ids[4], ids[3]]
    assert listed(store, limit=2) == [ids[4], ids[3]]
    assert listed(store, after=ids[3], limit=2) == [ids[2], ids[1]]
    [gone] = store.outbox.deliveries(state="dead", limit=1, after=None)
    assert (gone.notice, gone.outlet, gone.error, gone.settled_at) == ("n1", "hook", "answered 410 Gone", 50)
    assert gone.next_try is None


def test_a_dead_delivery_can_be_sent_again_under_its_key(store: Store) -> None:
    enqueue(store, delivery("a"))
    [claimed] = claim(store)
    assert settle(store, claimed, "dead", error="410")
    row = store.outbox.again(claimed.id, now=70)
    assert (row.state, row.next_try, row.settled_at) == ("waiting", 70, None)
    assert claim(store, now=69) == []
    [again] = claim(store, now=70)
    assert (again.key, again.attempts) == ("a", 2)


def test_only_a_dead_delivery_can_be_sent_again(store: Store) -> None:
    enqueue(store, delivery("a"))
    [claimed] = claim(store)
    with pytest.raises(NotDead) as refusal:
        store.outbox.again(claimed.id, now=70)
    assert refusal.value.row.state == "sending"
    assert settle(store, claimed)
    with pytest.raises(NotDead):
        store.outbox.again(claimed.id, now=70)
    with pytest.raises(KeyError):
        store.outbox.again(claimed.id + 1, now=70)
    assert claim(store, now=1_000) == []
