"""The sign of life to a monitor: while we are ready, as often as asked, and what becomes of it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from service.domain.model import SECOND
from service.heart import Pacemaker
from service.outlets import Monitor, Way
from service.ports import Delivered, Failed
from tests.support.notices import AT
from tests.support.ports import free_port
from tests.support.receivers import Answer, HttpReceiver

EVERY = 300 * SECOND


@pytest.fixture
def watcher() -> Iterator[HttpReceiver]:
    with HttpReceiver() as watcher:
        yield watcher


class Told:
    """What the log would say: how each beat went, and whether it is news."""

    def __init__(self) -> None:
        self.beats: list[tuple[bool, bool]] = []

    def __call__(self, outcome: Delivered | Failed, *, turned: bool) -> None:
        self.beats.append((isinstance(outcome, Delivered), turned))


def pacemaker(url: str, told: Any = None, *, method: Any = "GET") -> Pacemaker:
    monitor = Monitor(url, method=method, way=Way())
    return Pacemaker(monitor=monitor, every=EVERY, report=told or Told())


def ready() -> bool:
    return True


@pytest.mark.parametrize("method", ["GET", "POST"])
def test_it_beats_at_once_and_then_as_often_as_asked(watcher: HttpReceiver, method: str) -> None:
    pace = pacemaker(watcher.url, method=method)
    for second in range(0, 601, 10):
        pace.tick(AT + second * SECOND, ready)
    assert len(watcher.wait_for(3)) == 3


def test_nothing_is_sent_while_this_instance_is_not_ready(watcher: HttpReceiver) -> None:
    pace = pacemaker(watcher.url)
    pace.tick(AT, lambda: False)
    assert not watcher.received.all()
    pace.tick(AT + SECOND, ready)
    assert len(watcher.wait_for(1)) == 1


def test_a_failure_is_news_once_and_so_is_its_end(watcher: HttpReceiver) -> None:
    told = Told()
    pace = pacemaker(watcher.url, told)
    watcher.answer(Answer(), Answer(status=500), Answer(status=500))
    for number in range(4):
        pace.tick(AT + number * EVERY, ready)
    assert told.beats == [(True, True), (False, True), (False, False), (True, True)]


def test_a_clock_that_is_set_back_does_not_silence_it(watcher: HttpReceiver) -> None:
    pace = pacemaker(watcher.url)
    pace.tick(AT, ready)
    for number in range(0, 301, 100):
        pace.tick(AT - 10 * EVERY + number * SECOND, ready)
    assert len(watcher.wait_for(3)) == 3


def test_it_goes_by_the_rules_of_the_network() -> None:
    nowhere = Monitor(f"http://127.0.0.1:{free_port()}/k3y", method="GET", way=Way())
    failed = nowhere.beat(AT)
    assert isinstance(failed, Failed)
    assert failed.reason == "connection refused"
    with pytest.raises(ValueError, match="url"):
        Monitor("ftp://monitor.example/k3y", method="GET", way=Way())

    async def resolve(host: str, port: int) -> list[str]:
        return ["127.0.0.1"]

    inside = Monitor("http://monitor.example/k3y", method="GET", way=Way(resolve=resolve))
    refused = inside.beat(AT)
    assert isinstance(refused, Failed)
    assert "k3y" not in refused.reason
