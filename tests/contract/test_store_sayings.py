"""Messages that no batch brings: written once by their key, under the lease, and sent like every other."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from service.domain.said import Said
from service.domain.sayings import AWAKE, saying
from service.domain.traffic import Traffic
from service.lease import LeaseLost
from service.ports import NewDelivery
from service.store import Store
from tests.support.notices import AT, new_delivery


def awake(day: str) -> NewDelivery:
    notice = saying(AWAKE, f"awake-{day}", Said("Awake at {site}.", {"site": "Nord"}), AT, site="Nord")
    return new_delivery(notice, outlet="mail", at=AT)


def test_it_is_written_once_and_claimed_as_it_was(store: Store) -> None:
    store.outbox.add([awake("2026-03-02")])
    store.outbox.add([awake("2026-03-02"), awake("2026-03-03")])
    claimed = store.outbox.claim(owner="a", now=AT, lease_until=AT + 1, limit=10)
    assert [each.notice.id for each in claimed] == ["awake-2026-03-02", "awake-2026-03-03"]
    assert claimed[0].notice == awake("2026-03-02").notice
    assert claimed[0].latest is None
    assert store.archive.notice("awake-2026-03-02") is None


def test_who_is_no_longer_in_charge_writes_none(store: Store, open_again: Callable[..., Store]) -> None:
    with pytest.raises(LeaseLost):
        store.under(7).outbox.add([awake("2026-03-02")])
    assert store.outbox.deliveries(state=None, limit=10, after=None) == []


def test_what_is_known_of_an_outlet_is_kept_apart_from_deliveries(store: Store) -> None:
    store.outbox.remember("mail", Traffic(failures=1, failing_since=AT, error="answered 410 Gone"))
    store.outbox.remember("mail", Traffic(succeeded_at=AT + 5, failed_at=AT, error="answered 410 Gone"))
    kept = store.outbox.traffic()["mail"]
    assert (kept.failures, kept.succeeded_at, kept.error) == (0, AT + 5, "answered 410 Gone")
