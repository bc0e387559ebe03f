"""A sender that is killed at each point of its way: nothing is lost, repeats keep their id."""

from __future__ import annotations

import subprocess
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator

import pytest

from service.crash import ENDED
from service.store import Store
from tests.contract.builders import batch
from tests.support.notices import closed, new_delivery, notice, urgent
from tests.support.receivers import Answer, HttpReceiver, Request

POINTS = ("claim_before_commit", "claim_after_commit", "before_send", "after_send_before_mark", "after_mark")


@pytest.fixture
def receiver() -> Iterator[HttpReceiver]:
    with HttpReceiver() as one:
        yield one


def sender(url: str, hook: str, crash_at: str = "") -> int:
    command = [sys.executable, "-m", "tests.support.sender", url, hook, crash_at]
    return subprocess.run(command, timeout=60, check=False).returncode


def enqueue(store: Store, notices: int) -> None:
    stories = [(notice(id=f"n{n}"), urgent(id=f"n{n}"), closed(id=f"n{n}")) for n in range(notices)]
    changes = [one for story in stories for one in story]
    newest = [story[-1] for story in stories]
    store.ledger.commit(batch(notices=newest, deliveries=[new_delivery(one, at=0) for one in changes]))


def ids(requests: list[Request]) -> Counter[str]:
    return Counter(request.headers["webhook-id"] for request in requests)


@pytest.mark.parametrize("point", POINTS)
def test_a_sender_killed_at_any_point_loses_nothing_and_repeats_under_the_same_id(
    store: Store, url: str, receiver: HttpReceiver, point: str
) -> None:
    enqueue(store, 3)
    assert sender(url, receiver.url, f"{point}:2") == ENDED
    assert sender(url, receiver.url) == 0

    received = receiver.received.all()
    heard = defaultdict[str, list[int]](list)
    for request in received:
        heard[request.json["data"]["id"]].append(request.json["data"]["version"])
    assert sorted(heard) == ["n0", "n1", "n2"]
    for versions in heard.values():
        assert versions == sorted(versions)
        assert versions[-1] == 3
    # Only what was being sent when it died comes twice, at most once more.
    repeats = sum(ids(received).values()) - len(ids(received))
    assert repeats <= (4 if point == "after_send_before_mark" else 3)
    assert store.outbox.backlog() == {}


def test_what_was_sent_but_not_marked_is_sent_again_under_its_id(
    store: Store, url: str, receiver: HttpReceiver
) -> None:
    store.ledger.commit(batch(notices=[notice()], deliveries=[new_delivery(notice(), at=0)]))
    assert sender(url, receiver.url, "after_send_before_mark:1") == ENDED
    assert sender(url, receiver.url) == 0
    assert ids(receiver.received.all()) == {"n7c1:1:hook": 2}


def test_what_was_marked_is_not_sent_again(store: Store, url: str, receiver: HttpReceiver) -> None:
    store.ledger.commit(batch(notices=[notice()], deliveries=[new_delivery(notice(), at=0)]))
    assert sender(url, receiver.url, "after_mark:1") == ENDED
    assert sender(url, receiver.url) == 0
    assert ids(receiver.received.all()) == {"n7c1:1:hook": 1}


def test_a_reply_that_is_lost_after_the_receiver_accepted_costs_a_repeat_and_no_more(
    store: Store, url: str, receiver: HttpReceiver
) -> None:
    receiver.answer(Answer(drop=True))
    store.ledger.commit(batch(notices=[notice()], deliveries=[new_delivery(notice(), at=0)]))
    assert sender(url, receiver.url) == 0
    assert ids(receiver.received.all()) == {"n7c1:1:hook": 2}


def test_a_point_that_fails_instead_ends_the_sender_where_it_can_be_seen(
    store: Store, url: str, receiver: HttpReceiver
) -> None:
    store.ledger.commit(batch(notices=[notice()], deliveries=[new_delivery(notice(), at=0)]))
    assert sender(url, receiver.url, "before_send:1:raise") == 1
    assert sender(url, receiver.url) == 0
    assert ids(receiver.received.all()) == {"n7c1:1:hook": 1}


WRITES = """
import sys
from service import crash
from service.store import open_store
from tests.contract.builders import batch
from tests.support.notices import new_delivery, notice
store = open_store(sys.argv[1], migrate=False)
crash.arm(sys.argv[2])
store.ledger.commit(batch(notices=[notice()], deliveries=[new_delivery(notice(), at=0)]))
"""


@pytest.mark.parametrize("point", ["tx_begin", "before_commit"])
def test_a_change_and_its_deliveries_are_stored_together_or_not_at_all(
    store: Store, url: str, receiver: HttpReceiver, point: str
) -> None:
    def write(at: str) -> int:
        return subprocess.run([sys.executable, "-c", WRITES, url, at], timeout=60, check=False).returncode

    assert write(f"{point}:1") == ENDED
    assert store.archive.notice("n7c1") is None
    assert store.outbox.backlog() == {}
    assert write("") == 0
    assert sender(url, receiver.url) == 0
    assert ids(receiver.received.all()) == {"n7c1:1:hook": 1}
