"""A sender that is killed at each point of its way: nothing is lost, repeats keep their id."""

from __future__ import annotations

import os
from collections import Counter, defaultdict
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.crash import ENDED
from service.store import Store
from tests.contract.builders import batch
from tests.support import sender
from tests.support.loaded import Seat, fork
from tests.support.notices import closed, new_delivery, notice, urgent
from tests.support.receivers import Answer, HttpReceiver, Request

POINTS = ("claim_before_commit", "claim_after_commit", "before_send", "after_send_before_mark", "after_mark")


@pytest.fixture
def receiver() -> Iterator[HttpReceiver]:
    with HttpReceiver() as one:
        yield one


class Forks:
    """Processes that run one function each, one after another; gives their exit codes."""

    def __init__(self, folder: Path) -> None:
        self._seat = Seat(folder=folder, environment=dict(os.environ), out=folder / "forks.log")

    def send(self, url: str, hook: str, crash_at: str = "") -> int:
        return fork(self._seat, sender.main, url, hook, crash_at).wait(60)

    def write(self, url: str, crash_at: str = "") -> int:
        return fork(self._seat, sender.write, url, crash_at).wait(60)


@pytest.fixture
def forks(tmp_path: Path) -> Forks:
    return Forks(tmp_path)


def enqueue(store: Store, notices: int) -> None:
    stories = [(notice(id=f"n{n}"), urgent(id=f"n{n}"), closed(id=f"n{n}")) for n in range(notices)]
    changes = [one for story in stories for one in story]
    newest = [story[-1] for story in stories]
    store.ledger.commit(batch(notices=newest, deliveries=[new_delivery(one, at=0) for one in changes]))


def ids(requests: list[Request]) -> Counter[str]:
    return Counter(request.headers["webhook-id"] for request in requests)


@pytest.mark.parametrize("point", POINTS)
def test_a_sender_killed_at_any_point_loses_nothing_and_repeats_under_the_same_id(
    store: Store, url: str, receiver: HttpReceiver, forks: Forks, point: str
) -> None:
    enqueue(store, 3)
    assert forks.send(url, receiver.url, f"{point}:2") == ENDED
    assert forks.send(url, receiver.url) == 0

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
    store: Store, url: str, receiver: HttpReceiver, forks: Forks
) -> None:
    store.ledger.commit(batch(notices=[notice()], deliveries=[new_delivery(notice(), at=0)]))
    assert forks.send(url, receiver.url, "after_send_before_mark:1") == ENDED
    assert forks.send(url, receiver.url) == 0
    assert ids(receiver.received.all()) == {"n7c1:1:hook": 2}


def test_what_was_marked_is_not_sent_again(
    store: Store, url: str, receiver: HttpReceiver, forks: Forks
) -> None:
    store.ledger.commit(batch(notices=[notice()], deliveries=[new_delivery(notice(), at=0)]))
    assert forks.send(url, receiver.url, "after_mark:1") == ENDED
    assert forks.send(url, receiver.url) == 0
    assert ids(receiver.received.all()) == {"n7c1:1:hook": 1}


def test_a_reply_that_is_lost_after_the_receiver_accepted_costs_a_repeat_and_no_more(
    store: Store, url: str, receiver: HttpReceiver, forks: Forks
) -> None:
    receiver.answer(Answer(drop=True))
    store.ledger.commit(batch(notices=[notice()], deliveries=[new_delivery(notice(), at=0)]))
    assert forks.send(url, receiver.url) == 0
    assert ids(receiver.received.all()) == {"n7c1:1:hook": 2}


def test_a_point_that_fails_instead_ends_the_sender_where_it_can_be_seen(
    store: Store, url: str, receiver: HttpReceiver, forks: Forks
) -> None:
    store.ledger.commit(batch(notices=[notice()], deliveries=[new_delivery(notice(), at=0)]))
    assert forks.send(url, receiver.url, "before_send:1:raise") == 1
    assert forks.send(url, receiver.url) == 0
    assert ids(receiver.received.all()) == {"n7c1:1:hook": 1}


@pytest.mark.parametrize("point", ["tx_begin", "before_commit"])
def test_a_change_and_its_deliveries_are_stored_together_or_not_at_all(
    store: Store, url: str, receiver: HttpReceiver, forks: Forks, point: str
) -> None:
    assert forks.write(url, f"{point}:1") == ENDED
    assert store.archive.notice("n7c1") is None
    assert store.outbox.backlog() == {}
    assert forks.write(url) == 0
    assert forks.send(url, receiver.url) == 0
    assert ids(receiver.received.all()) == {"n7c1:1:hook": 1}
