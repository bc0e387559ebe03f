"""From the outbox to the receiver: the delivery loop with a real store, real outlets and real receivers."""

from __future__ import annotations

import random
import time
from collections import defaultdict
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from service.domain.model import SECOND, Instant
from service.outlets import build_outlet
from service.outlets.webhook import WebhookOutlet
from service.ports import Outlet
from service.store import Store, open_store, upgrade
from service.usecases.deliver import Attempt
from service.usecases.deliver.lane import AT_ONCE
from service.usecases.deliver.loop import SAFETY
from tests.support.notices import closed, notice, urgent
from tests.support.ports import free_port
from tests.support.postgres import shared_postgres
from tests.support.receivers import Answer, HttpReceiver, MailReceiver, Request
from tests.support.sending import Plant
from tests.support.wait import eventually


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Plant]:
    store = open_store(f"sqlite:///{tmp_path / 'store.db'}", migrate=True)
    yield Plant(store)
    store.close()


@pytest.fixture
def receiver() -> Iterator[HttpReceiver]:
    with HttpReceiver() as one:
        yield one


def hook(url: str, **more: Any) -> dict[str, Outlet]:
    return {"hook": build_outlet(name="hook", type="webhook", url=url, site="Werk 1", **more)}


def test_every_change_of_a_notice_arrives_in_order_and_once(plant: Plant, receiver: HttpReceiver) -> None:
    with plant.delivering(hook(receiver.url)):
        plant.commit(notice(), urgent(), closed())
        plant.settled()
    events = [got.json for got in receiver.received.all()]
    assert [event["data"]["version"] for event in events] == [1, 2, 3]
    assert len({event["id"] for event in events}) == 3


def test_the_request_arrives_within_a_second_of_the_commit(plant: Plant, receiver: HttpReceiver) -> None:
    with plant.delivering(hook(receiver.url)):
        for number in range(20):
            plant.commit(notice(id=f"n{number}"))
        receiver.wait_for(20)
        plant.settled()
    ages = [one.age for one in plant.reports if isinstance(one, Attempt)]
    assert max(ages) < 1.0


def test_a_message_to_people_after_a_calm_arrives_within_a_second_too(
    plant: Plant, receiver: HttpReceiver
) -> None:
    with plant.delivering({"chat": build_outlet(name="chat", type="chat", url=receiver.url)}):
        for number in range(5):
            plant.commit(notice(id=f"n{number}"), outlet="chat")
            receiver.wait_for(number + 1, within=2.0)
            plant.settled()
            plant.ahead += 180 * SECOND
    ages = sorted(one.age for one in plant.reports if isinstance(one, Attempt))
    assert ages[len(ages) // 2] < 1.0


def test_what_happened_while_the_receiver_was_down_arrives_as_what_is_true_now(plant: Plant) -> None:
    port = free_port()
    with plant.delivering(hook(f"http://127.0.0.1:{port}/hook")):
        plant.commit(notice())
        eventually(lambda: plant.reports)
        plant.commit(urgent())
        plant.commit(closed())
        with HttpReceiver(port=port) as receiver:
            plant.settled()
            events = [got.json for got in receiver.received.all()]
    told = [(event["type"], event["data"]["version"], event["data"]["state"]) for event in events]
    assert told == [("earlybell.notice.opened", 3, "closed"), ("earlybell.notice.closed", 3, "closed")]
    assert events[0]["replaces"] == 1
    assert "replaces" not in events[1]


def test_a_sender_that_died_before_writing_the_end_loses_nothing(
    plant: Plant, receiver: HttpReceiver
) -> None:
    """It had claimed, perhaps sent; then the notice was closed. A receiver that drops what it has seen under
    an id still hears of the end."""
    now = plant.clock()
    plant.commit(notice())
    lost = plant.store.outbox.claim(owner="dead", now=now + SECOND, lease_until=now + 45 * SECOND, limit=9)
    plant.commit(closed())
    plant.ahead = 50 * SECOND
    with plant.delivering(hook(receiver.url)):
        plant.settled()
    opened, ended = [got.json for got in receiver.received.all()]
    assert (opened["type"], opened["data"]["state"]) == ("earlybell.notice.opened", "closed")
    assert ended["type"] == "earlybell.notice.closed"
    assert lost[0].key not in {opened["id"], ended["id"]}


def test_a_receiver_with_faults_gets_every_story_in_order_to_its_end(plant: Plant) -> None:
    chance = random.Random(7)
    faults = [Answer(status=500), Answer(drop=True), Answer(status=429, headers={"retry-after": "0"})]
    answers = [chance.choice(faults) if chance.random() < 0.2 else Answer() for _ in range(150)]
    with HttpReceiver(*answers) as receiver:
        with plant.delivering(hook(receiver.url)):
            for number in range(20):
                plant.commit(notice(id=f"n{number}"))
                plant.commit(urgent(id=f"n{number}"))
                plant.commit(closed(id=f"n{number}"))
            plant.settled(within=40.0)
        received = receiver.received.all()
    heard = _stories(received)
    # What a careful receiver acts on: nothing that it refused, and nothing twice under one id. It may have
    # taken a request whose answer was lost.
    taken = {got.headers["webhook-id"]: got for got in reversed(received) if got.answered in {200, None}}
    acted_on = _stories(sorted(taken.values(), key=received.index))
    assert len(heard) == len(acted_on) == 20
    for versions in [*heard.values(), *acted_on.values()]:
        assert versions == sorted(versions)
        assert versions[-1] == 3


def _stories(requests: list[Request]) -> Mapping[str, list[int]]:
    """Notice → the versions in the order in which they arrived."""
    stories = defaultdict[str, list[int]](list)
    for request in requests:
        stories[request.json["data"]["id"]].append(request.json["data"]["version"])
    return stories


def test_a_restart_delivers_what_waits(plant: Plant, receiver: HttpReceiver) -> None:
    receiver.answer(then=Answer(status=503))
    with plant.delivering(hook(receiver.url)):
        plant.commit(*(notice(id=f"n{number}") for number in range(4)))
        receiver.wait_for(4)
    assert plant.backlog() == {("hook", "waiting"): 4}
    receiver.answer()
    with plant.delivering(hook(receiver.url), owner="me again"):
        plant.settled()
    last = receiver.received.all()[-4:]
    assert {got.json["data"]["id"] for got in last} == {f"n{number}" for number in range(4)}


def test_a_hook_that_is_gone_stays_quiet_and_the_mail_goes_on(plant: Plant, receiver: HttpReceiver) -> None:
    receiver.answer(then=Answer(status=410))
    with MailReceiver() as box:
        mail = build_outlet(
            name="mail",
            type="email",
            smtp_url=f"smtp://127.0.0.1:{box.port}",
            from_="bell@plant.example",
            to="ada@plant.example",
            timezone="Europe/Berlin",
        )
        with plant.delivering(hook(receiver.url) | {"mail": mail}):
            for number, one in enumerate((notice(), urgent(), urgent(version=3, level="empty")), start=1):
                plant.commit(one)
                plant.commit(one, outlet="mail")
                got = box.wait_for(number)
            eventually(lambda: plant.backlog() == {("hook", "dead"): 3})
    assert len(receiver.received.all()) == 1
    assert [one.disables for one in plant.reports if isinstance(one, Attempt) and one.disables] == [True]
    assert [str(one.message["References"] or "").count("<") for one in got] == [0, 1, 2]


def test_a_slow_receiver_delays_no_other_outlet(plant: Plant) -> None:
    with HttpReceiver(then=Answer(delay=0.3)) as stuck, HttpReceiver() as well:
        chat = build_outlet(name="chat", type="chat", url=well.url)
        with plant.delivering(hook(stuck.url) | {"chat": chat}):
            plant.commit(*(notice(id=f"n{number}") for number in range(50)))
            stuck.wait_for(4)
            plant.commit(notice(id="urgent one"), outlet="chat")
            well.wait_for(1, within=1.0)


# --- what waited for long


SPEED = 20
"""Times as fast as real time: the plant's clock in the story of an outage."""


class FastPlant(Plant):
    """The same with a clock that runs fast and can be moved on."""

    def __init__(self, store: Store) -> None:
        super().__init__(store)
        self._began = time.time_ns() // 1000

    def clock(self) -> Instant:
        return self.moment(time.time())

    def moment(self, real: float) -> Instant:
        return self._began + self.ahead + (round(real * 1e6) - self._began) * SPEED


@pytest.fixture(params=["sqlite", "postgresql"])
def fast_plant(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[FastPlant]:
    url = f"sqlite:///{tmp_path / 'store.db'}"
    if request.param == "postgresql":
        server = shared_postgres()
        url = server.url(name := server.create())
        upgrade(url)
    store = open_store(url, migrate=request.param == "sqlite")
    yield FastPlant(store)
    store.close()
    if request.param == "postgresql":
        server.drop(name)


def test_after_two_hours_500_notices_arrive_in_order_at_the_pace_as_what_is_true_then(
    fast_plant: FastPlant,
) -> None:
    """Of each of them it is heard that it was open, none is told as closed alone, and none as open that is
    closed by then."""
    plant, port = fast_plant, free_port()
    names = [f"n{number:03}" for number in range(500)]
    with plant.delivering(hook(f"http://127.0.0.1:{port}/hook")):
        plant.commit(*(notice(id=name) for name in names))
        eventually(lambda: len(plant.reports) >= 5)
        plant.commit(*(closed(id=name) for name in names[::2]))
        plant.ahead += 2 * 3600 * SECOND
        # What was claimed before may say open with good reason, if its receiver comes back at this moment.
        under_way = len(plant.reports) + AT_ONCE
        eventually(lambda: len(plant.reports) > under_way, timeout=30)
        with HttpReceiver(port=port) as receiver:
            back = plant.clock()
            plant.settled(within=90.0)
            received = receiver.received.all()
    stories = defaultdict[str, list[str]](list)
    for got in received:
        event = got.json
        stories[event["data"]["id"]].append(f"{event['type']} {event['data']['state']}")
    opened, ended = "earlybell.notice.opened", "earlybell.notice.closed"
    assert len(stories) == 500
    for number, name in enumerate(names):
        true_now = [f"{opened} open"] if number % 2 else [f"{opened} closed", f"{ended} closed"]
        assert stories[name] == true_now
    assert len({got.headers["webhook-id"] for got in received}) == len(received)
    _keeps_to_its_pace([plant.moment(got.at) - back for got in received])


def _keeps_to_its_pace(times: list[Instant]) -> None:
    """The first within a minute of the recovery, and over any stretch no more than a burst and the rate."""
    # The loop's own pauses are real seconds.
    assert min(times) < (60 + 2 * SAFETY * SPEED) * SECOND
    times.sort()
    pace = WebhookOutlet.pace
    # The clock runs fast: a few ms between the claim and the arrival are a second or two.
    slack = 2 * pace.rate
    for first, begin in enumerate(times):
        for last in range(first, len(times), 25):
            assert last - first + 1 <= pace.burst + slack + pace.rate * (times[last] - begin) / SECOND


def test_a_notice_that_is_refused_for_ever_holds_up_no_other_and_is_seen(
    plant: Plant, receiver: HttpReceiver
) -> None:
    receiver.answer_each(lambda event: Answer(status=400 if event["data"]["id"] == "poison" else 200))
    with plant.delivering(hook(receiver.url)):
        plant.commit(notice(id="poison"))
        eventually(lambda: plant.reports)
        plant.commit(*(one(id=f"n{number}") for number in range(5) for one in (notice, urgent, closed)))
        plant.commit(urgent(id="poison"))
        eventually(lambda: plant.store.outbox.deliveries(state="sent", limit=99, after=None)[14:])
        waiting = plant.store.outbox.deliveries(state="waiting", limit=99, after=None)
    assert {row.notice for row in waiting} == {"poison"}
    assert waiting[-1].error == "answered 400 Bad Request"
    # Nor is it stuck: once the receiver takes it, it is there in order.
    receiver.answer_each(None)
    plant.ahead = 60 * SECOND
    with plant.delivering(hook(receiver.url)):
        plant.settled()
    last = [got.json["data"] for got in receiver.received.all() if got.answered == 200][-1]
    assert (last["id"], last["version"]) == ("poison", 2)


ASKED = ("0", "3", "-7", "1000000000", "nan", "tomorrow", "Thu, 01 Jan 1970 00:00:00 GMT")


@pytest.mark.parametrize("asked", ASKED)
def test_whatever_retry_after_says_the_receiver_is_neither_hammered_nor_forgotten(
    plant: Plant, receiver: HttpReceiver, asked: str
) -> None:
    receiver.answer(then=Answer(status=429, headers={"retry-after": asked}))
    with plant.delivering(hook(receiver.url)):
        plant.commit(notice())
        eventually(lambda: plant.reports)
        (row,) = plant.store.outbox.deliveries(state="waiting", limit=9, after=None)
        assert row.next_try is not None
        assert 0.3 * SECOND < row.next_try - plant.clock() <= 600 * SECOND
        assert len(receiver.received.all()) == 1
        receiver.answer()
        plant.ahead = 601 * SECOND
        plant.settled()
    assert [got.answered for got in receiver.received.all()] == [429, 200]


def letters(port: int, *to: str) -> dict[str, Outlet]:
    mail = build_outlet(
        name="mail",
        type="email",
        smtp_url=f"smtp://127.0.0.1:{port}",
        from_="bell@plant.example",
        to=to,
        timezone="Europe/Berlin",
    )
    return {"mail": mail}


def test_a_greylisted_letter_arrives_once_for_each_and_those_behind_it_in_order(plant: Plant) -> None:
    ada, ben = "ada@plant.example", "ben@plant.example"
    with MailReceiver() as box:
        box.refuse(ben, "450 4.2.0 greylisted", "451 4.7.1 come again")
        with plant.delivering(letters(box.port, ada, ben)):
            plant.commit(notice(), outlet="mail")
            box.wait_for(1)
            plant.commit(urgent(), outlet="mail")
            plant.settled(within=20.0)
        got = box.received.all()
    told = [(one.recipients, str(one.message["Message-ID"])) for one in got]
    first = "<n7c1.v1.mail@plant.example>"
    assert told[0] == ((ada,), first)
    assert {name for who, _ in told for name in who} == {ada, ben}
    assert len(set(told)) == len(told)


def test_a_letter_that_one_of_two_can_not_get_is_delivered_and_one_that_nobody_can_is_dead(
    plant: Plant,
) -> None:
    ada, ben = "ada@plant.example", "ben@plant.example"
    with MailReceiver() as box:
        box.refuse(ben, "550 5.1.1 no such user")
        with plant.delivering(letters(box.port, ada, ben)):
            plant.commit(notice(), outlet="mail")
            plant.settled()
        box.refuse(ada, "550 5.1.1 no such user")
        box.refuse(ben, "550 5.1.1 no such user")
        with plant.delivering(letters(box.port, ada, ben)):
            plant.commit(urgent(), outlet="mail")
            eventually(lambda: plant.backlog() == {("mail", "dead"): 1})
        assert [one.recipients for one in box.received.all()] == [(ada,)]
    (dead,) = plant.store.outbox.deliveries(state="dead", limit=9, after=None)
    assert dead.error == "every recipient refused (550 5.1.1)"
