"""What was sent, read back: by when it was over, with what it was about; and notices by their ends."""

from __future__ import annotations

from typing import Any

from service.domain.model import Change, Notice
from service.ports import NewDelivery, Settled
from service.sent import SentRow
from service.store import Store
from service.usecases.budget import Budget
from tests.contract.builders import batch, closed, opened
from tests.support.notices import AT


def send(store: Store, about: Notice, *, at: int, outlet: str = "chat", state: str = "sent") -> None:
    new = NewDelivery(
        key=f"{about.id}-v{about.version}-{outlet}",
        outlet=outlet,
        conversation=f"{about.id}/{outlet}",
        change=Change.OPENED if about.version == 1 else Change.CHANGED,
        notice=about,
        at=at - 1,
    )
    store.ledger.commit(batch(store.ledger.load().position, deliveries=[new]))
    [claimed] = store.outbox.claim(owner="a", now=at, lease_until=at + 100, limit=1, outlet=outlet)
    settled = Settled(state=state, at=at, covers=0)  # type: ignore[arg-type]
    assert store.outbox.settle(claimed, owner="a", settled=settled)


def test_what_was_over_in_a_time_is_read_back_in_order_with_what_it_was_about(store: Store) -> None:
    first = opened("n1", level="early", hears=("Mira",))
    send(store, first, at=100)
    send(store, opened("n1", level="urgent", version=2), at=200, outlet="hook", state="dead")
    send(store, opened("n2", state="taken", taken_by="Mira"), at=300)
    send(store, opened("n3"), at=400)
    rows = store.sent.sent(since=100, until=400)
    assert [(row.at, row.about.notice, row.sent, row.calls) for row in rows] == [
        (100, "n1", True, True),
        (200, "n1", False, True),
        (300, "n2", True, False),
    ]
    assert isinstance(rows[0], SentRow)
    assert (rows[0].outlet, rows[0].written_at, rows[0].change) == ("chat", 99, Change.OPENED)
    assert (rows[0].about.slot, rows[0].about.level, rows[0].hears) == (first.slot, "early", ("Mira",))
    assert (rows[1].change, rows[1].version) == (Change.CHANGED, 2)


def test_what_went_out_in_one_message_is_one_message_of_the_budget(store: Store) -> None:
    """The delivery loop writes the end of all that one message told at the same moment."""
    news = [
        NewDelivery(
            key=f"k{number}",
            outlet="chat",
            conversation=f"n{number}/chat",
            change=Change.OPENED,
            notice=opened(f"n{number}"),
            at=5,
        )
        for number in range(3)
    ]
    store.ledger.commit(batch(deliveries=news))
    for claimed in store.outbox.claim(owner="a", now=10, lease_until=100, limit=3):
        at = 20 if claimed.key != "k2" else 21
        assert store.outbox.settle(claimed, owner="a", settled=Settled(state="sent", at=at, covers=0))
    budget = Budget(sent=store.sent, hearing={"chat": ["Mira"]}, clock=lambda: 1000)
    shown: Any = budget.shown(since=0, until=1000)
    assert (shown["people"][0]["messages"], shown["announced"]) == (2, 3)


def test_what_waits_is_not_among_what_was_sent(store: Store) -> None:
    told = opened("n1")
    new = NewDelivery(key="k", outlet="chat", conversation="n1/chat", change=Change.OPENED, notice=told, at=5)
    store.ledger.commit(batch(deliveries=[new]))
    assert store.sent.sent(since=0, until=10**18) == []


def test_notices_that_are_open_or_were_closed_since_are_read_with_their_times(store: Store) -> None:
    notices = [
        opened("n1"),
        closed("n2", 1000, closed_because="better"),
        closed("n3", 60_000_000, closed_because="refilled"),
    ]
    store.ledger.commit(batch(notices=notices))
    found = {row.about.notice: row for row in store.sent.lives(since=AT + 2000)}
    assert set(found) == {"n1", "n3"}
    assert (found["n1"].opened_at, found["n1"].closed_at) == (AT, None)
    assert (found["n3"].closed_at, found["n3"].closed_because) == (AT + 60_000_000, "refilled")
