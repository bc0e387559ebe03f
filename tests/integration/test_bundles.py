"""A storm of notices through the whole way out: real store, loop, outlets and receivers, and a clock that
runs fast. Programs hear each change for itself, people a few messages that name everything.
"""

from __future__ import annotations

import re
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

from service.domain.model import SECOND, Instant, Notice
from service.domain.traffic import NOTHING_YET
from service.outlets import build_outlet
from service.ports import Outlet
from service.store import Store, open_store
from service.usecases.deliver import Attempt
from tests.support.notices import closed, notice, urgent
from tests.support.ports import free_port
from tests.support.receivers import Answer, HttpReceiver, Mail, MailReceiver, Request
from tests.support.sending import Plant
from tests.support.wait import eventually

SPEED = 30
"""Times as fast as real time: ten minutes are twenty seconds."""
PEOPLE = ("chat", "mail")
STORM = [notice(id=f"n{number:03}", slot=f"F{number:03}", part=f"R-{number % 60}") for number in range(300)]


class FastPlant(Plant):
    def __init__(self, store: Store) -> None:
        super().__init__(store)
        self.began = time.time()

    def clock(self) -> Instant:
        return self.moment(time.time())

    def moment(self, real: float) -> Instant:
        return self.ahead + round(self.began * 1e6) + round((real - self.began) * 1e6) * SPEED

    def attempts(self) -> list[Attempt]:
        return [each for each in self.reports if isinstance(each, Attempt)]

    def seconds(self, got: Request | Mail) -> float:
        """Of the plant's clock, since the beginning."""
        return (got.at - self.began) * SPEED

    def tell(self, *notices: Notice, outlets: Sequence[str] = ("hook", *PEOPLE)) -> None:
        for outlet in outlets:
            self.commit(*notices, outlet=outlet)

    def storm(self, seconds: float) -> None:
        """300 slots, thirty at a time as one commit may bring them, over so many seconds."""
        begin = time.time()
        for first in range(0, 300, 30):
            eventually(lambda first=first: (time.time() - begin) * SPEED >= seconds * first / 300)  # type: ignore[misc]
            self.tell(*STORM[first : first + 30])


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[FastPlant]:
    store = open_store(f"sqlite:///{tmp_path / 'store.db'}", migrate=True)
    yield FastPlant(store)
    store.close()


@pytest.fixture
def hook() -> Iterator[HttpReceiver]:
    with HttpReceiver() as one:
        yield one


@pytest.fixture
def chat() -> Iterator[HttpReceiver]:
    with HttpReceiver() as one:
        yield one


@pytest.fixture
def mail() -> Iterator[MailReceiver]:
    with MailReceiver() as one:
        yield one


def outlets(hook: int, chat: int, mail: int) -> dict[str, Outlet]:
    def url(port: int) -> str:
        return f"http://127.0.0.1:{port}/hook"

    said: dict[str, Any] = {"public_url": "https://bell.plant.example", "timezone": "Europe/Berlin"}
    envelope: dict[str, Any] = {"from_": "bell@plant.example", "to": "ada@plant.example"}
    return {
        "hook": build_outlet(name="hook", type="webhook", url=url(hook)),
        "chat": build_outlet(name="chat", type="chat", url=url(chat), **said),
        "mail": build_outlet(
            name="mail", type="email", smtp_url=f"smtp://127.0.0.1:{mail}", **said | envelope
        ),
    }


def texts(chat: HttpReceiver) -> list[str]:
    return [got.json["text"] for got in chat.received.all() if got.answered == 200]


def named(said: Sequence[str]) -> set[str]:
    return {slot for text in said for slot in re.findall(r"\bF\d{3}\b", text)}


ALL = {each.slot for each in STORM}


def most_in_ten_minutes(plant: FastPlant, got: Sequence[Request | Mail]) -> int:
    times = [plant.seconds(each) for each in got]
    return max(sum(begin <= at <= begin + 600 for at in times) for begin in times)


def test_a_storm_of_300_slots_in_ten_seconds(
    plant: FastPlant, hook: HttpReceiver, chat: HttpReceiver, mail: MailReceiver
) -> None:
    """Programs: 300, each for itself. People: a few messages; by the end each slot is named and the link
    leads to the line."""
    with plant.delivering(outlets(hook.port, chat.port, mail.port)):
        plant.storm(10)
        hook.wait_for(300, within=30)
        chat.wait_for(lambda _: named(texts(chat)) == ALL, within=30)
        mail.wait_for(lambda got: named([one.text() for one in got]) == ALL, within=30)
        plant.settled()
    assert sorted(got.json["data"]["id"] for got in hook.received.all()) == [each.id for each in STORM]
    assert 2 <= len(chat.received.all()) <= 6
    assert 2 <= len(mail.received.all()) <= 6
    assert texts(chat)[-1].endswith("https://bell.plant.example/?line=L3")


def say_enough(plant: FastPlant, chat: HttpReceiver) -> None:
    """So many single messages that the next must wait, unless it presses."""
    for number, each in enumerate(STORM[:4], start=1):
        plant.tell(each, outlets=["chat"])
        chat.wait_for(number)


def test_the_most_urgent_come_first_and_what_is_over_before_it_was_told_is_not_told(
    plant: FastPlant, hook: HttpReceiver, chat: HttpReceiver, mail: MailReceiver
) -> None:
    with plant.delivering(outlets(hook.port, chat.port, mail.port)):
        say_enough(plant, chat)
        over = [closed(id=each.id, slot=each.slot) for each in STORM[100:120]]
        worse = [urgent(id="n130", slot="F130"), urgent(id="n135", slot="F135", level="empty")]
        plant.tell(*STORM[100:140], *over, outlets=["hook", "mail"])
        plant.tell(*STORM[100:140], *over, *worse, outlets=["chat"])
        said = chat.wait_for(5)[4].json["text"].split("\n")
        plant.settled(within=30)
    assert said[0] == "L3: 1 slot empty, 1 slot almost empty, 18 slots run low."
    assert [line.split(":")[0] for line in said[2:4]] == ["P1 slot F135", "P1 slot F130"]
    assert named(["\n".join(said)]) == {each.slot for each in STORM[120:140]}
    untold = plant.store.outbox.deliveries(state="replaced", limit=999, after=None)
    assert sum(row.outlet == "chat" for row in untold) == 20 * 2 + 2
    hooked = [got.json["data"]["state"] for got in hook.received.all()]
    assert hooked.count("closed") >= 20, "programs hear of each"


def test_a_restart_in_the_middle_loses_nothing_and_says_no_more_than_may_be_said(
    plant: FastPlant, hook: HttpReceiver, chat: HttpReceiver, mail: MailReceiver
) -> None:
    ways = hook.port, chat.port, mail.port
    with plant.delivering(outlets(*ways)):
        plant.storm(5)
        chat.wait_for(2)
    for _ in range(3):
        with plant.delivering(outlets(*ways)):
            plant.tell(urgent(id="n299", slot="F299"))
    with plant.delivering(outlets(*ways)):
        chat.wait_for(lambda _: named(texts(chat)) == ALL, within=30)
        plant.settled(within=40)
    assert most_in_ten_minutes(plant, chat.received.all()) <= 10
    assert most_in_ten_minutes(plant, mail.received.all()) <= 10
    assert len({got.json["data"]["id"] for got in hook.received.all()}) == 300
    assert named([one.text() for one in mail.received.all()]) == ALL


def test_a_chat_that_was_down_hears_of_all_within_a_minute_of_being_well(
    plant: FastPlant, hook: HttpReceiver, mail: MailReceiver
) -> None:
    port = free_port()
    with plant.delivering(outlets(hook.port, port, mail.port)):
        plant.storm(10)
        plant.ahead = 300 * SECOND
        eventually(lambda: plant.store.outbox.traffic().get("chat", NOTHING_YET).half_open, timeout=30)
        with HttpReceiver(port=port) as chat:
            back = time.time()
            chat.wait_for(lambda _: named(texts(chat)) == ALL, within=30)
            plant.settled(within=30)
            got = chat.received.all()
    assert (max(each.at for each in got) - back) * SPEED < 60 + 15
    assert len(got) <= 4


def test_a_notice_that_a_chat_refuses_holds_up_no_other(
    plant: FastPlant, hook: HttpReceiver, chat: HttpReceiver, mail: MailReceiver
) -> None:
    chat.answer_each(lambda said: Answer(status=400 if "F013" in said["text"] else 200))
    with plant.delivering(outlets(hook.port, chat.port, mail.port)):
        plant.tell(*STORM[12:16], outlets=["chat"])
        chat.wait_for(
            lambda _: named(texts(chat)) == {each.slot for each in STORM[12:16]} - {"F013"}, within=30
        )
        plant.tell(STORM[200], outlets=["chat"])
        chat.wait_for(lambda _: "F200" in named(texts(chat)), within=30)
    waiting = plant.store.outbox.deliveries(state="waiting", limit=99, after=None)
    assert [row.notice for row in waiting] == ["n013"]
    assert waiting[0].error == "answered 400 Bad Request"
