"""The ways out over a real store and real receivers: how each fares, tests, previews."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest

from service.domain.model import SECOND
from service.domain.traffic import Traffic
from service.outgoing import TooSoon
from service.outlets import build_outlet
from service.settings import load
from service.store import Store, open_store
from service.store.statements import save_traffic
from service.ways import Ways, previews
from tests.contract.builders import batch
from tests.support.notices import AT, new_delivery, notice
from tests.support.receivers import Answer, HttpReceiver, MailReceiver

CONFIG = """
[site]
name = "Werk Nord"
timezone = "Europe/Vienna"
[web]
public_url = "https://bell.nord.example"
[[outlet]]
name = "hook"
type = "webhook"
url = "http://127.0.0.1:{hook}/k3y"
secret = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
[[outlet]]
name = "room"
type = "chat"
url = "http://127.0.0.1:{room}/k3y"
[[outlet]]
name = "mail"
type = "email"
to = ["ada@nord.example", "bo@nord.example"]
from = "bell@nord.example"
smtp_url = "smtp://127.0.0.1:{mail}"
[[outlet]]
name = "unheard"
type = "chat"
language = "de"
url = "http://127.0.0.1:{room}/k3y"
[[outlet]]
name = "phones"
type = "push"
[[route]]
outlets = ["hook", "phones"]
[[route]]
people = ["shift"]
[[person]]
name = "ada"
outlets = ["room", "mail"]
[[duty]]
roster = "shift"
people = ["ada"]
"""


class Site:
    """Receivers, a store, and the ways out between them; the clock stands unless it is put forward."""

    def __init__(self, folder: Path, hook: HttpReceiver, room: HttpReceiver, mail: MailReceiver) -> None:
        self.hook, self.room, self.mail = hook, room, mail
        file = folder / "earlybell.toml"
        ports = {"hook": _port(hook), "room": _port(room), "mail": mail.port}
        file.write_text(CONFIG.format(**ports))
        self.store: Store = open_store(f"sqlite:///{folder}/ways.db", migrate=True)
        self.now = AT
        self.proved: list[str] = []
        self.ways = Ways(
            settings=load(file, {}),
            port=8080,
            outbox=self.store.outbox,
            archive=self.store.archive,
            phones=self.store.phones,
            clock=lambda: self.now,
            prove=self.proved.append,
        )

    def test(self, name: str, by: str | None = "ada") -> Any:
        return asyncio.run(self.ways.test(name, by=by))

    def row(self, name: str) -> Any:
        return {each.name: each for each in self.ways.rows()}[name]


def _port(receiver: HttpReceiver) -> int:
    return int(receiver.url.split(":")[2].split("/")[0])


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with HttpReceiver() as hook, HttpReceiver() as room, MailReceiver() as mail:
        site = Site(tmp_path, hook, room, mail)
        yield site
        site.store.close()


def test_a_test_says_in_its_own_words_that_it_is_one_and_where_it_comes_from(site: Site) -> None:
    for name in ("room", "mail", "hook"):
        tested = site.test(name)
        assert (tested.outlet, tested.delivered, tested.reason) == (name, True, None)
    words = "Test from Earlybell, Werk Nord, sent by ada: nothing to do."
    (said,) = site.room.wait_for(1)
    assert said.json["text"] == f"{words}\nhttps://bell.nord.example/outlets"
    (letter,) = site.mail.wait_for(1)
    assert letter.message["Subject"] == "Werk Nord: a test"
    assert sorted(letter.recipients) == ["ada@nord.example", "bo@nord.example"]
    assert words in letter.text()
    (event,) = site.hook.wait_for(1)
    # CloudEvents 1.0: a receiver tells kinds of events apart by `type`.
    assert (event.json["type"], event.json["data"]["message"]) == ("earlybell.test", words)
    assert "webhook-signature" in event.headers
    assert site.proved == ["room", "mail", "hook"]


def test_a_test_comes_in_the_language_of_its_outlet(site: Site) -> None:
    site.test("unheard")
    (said,) = site.room.wait_for(1)
    assert said.json["text"].startswith("Test von Earlybell, Werk Nord")


@pytest.mark.parametrize(
    ("answer", "reason"),
    [(Answer(status=500), "answered 500 Internal Server Error"), (Answer(status=410), "answered 410 Gone")],
)
def test_a_test_that_fails_says_why_without_the_address(site: Site, answer: Answer, reason: str) -> None:
    site.room.answer(then=answer)
    tested = site.test("room")
    assert (tested.delivered, tested.reason) == (False, reason)
    assert "k3y" not in repr(tested)
    assert site.proved == []


def test_a_test_leaves_no_trace_among_the_deliveries(site: Site) -> None:
    site.test("room")
    assert site.store.outbox.deliveries(state=None, limit=10, after=None) == []
    assert site.store.archive.notices(states=["open", "closed"], limit=10, after=None) == []


def test_one_test_at_a_time_and_a_rest_between_two(site: Site) -> None:
    site.test("room")
    with pytest.raises(TooSoon):
        site.test("room")
    assert site.test("hook").delivered
    site.now += 5 * SECOND
    assert site.test("room").delivered
    site.now -= 3600 * SECOND  # a clock that is set back shuts nobody out
    assert site.test("room").delivered
    assert len(site.room.wait_for(3)) == 3


def test_while_one_hangs_no_second_is_sent(tmp_path: Path, site: Site) -> None:
    async def both() -> Any:
        first = asyncio.create_task(site.ways.test("room", by="ada"))
        while not site.room.received.all():  # noqa: ASYNC110 (the receiver is a thread)
            await asyncio.sleep(0)
        second = await asyncio.gather(site.ways.test("room", by="bo"), return_exceptions=True)
        first.cancel()
        await asyncio.gather(first, return_exceptions=True)
        return second

    site.room.answer(then=Answer(silent=True))
    (refused,) = asyncio.run(both())
    assert isinstance(refused, TooSoon)


def test_a_test_that_no_phone_would_hear_is_not_delivered(site: Site) -> None:
    tested = site.test("phones")
    assert (tested.delivered, tested.reason) == (False, "no phone hears it yet")
    assert site.proved == []


def test_an_outlet_that_is_not_configured_is_not_tested(site: Site) -> None:
    with pytest.raises(KeyError):
        site.test("nowhere")


def test_the_list_says_how_each_fares_and_where_it_leads(site: Site) -> None:
    site.store.ledger.commit(batch(deliveries=[new_delivery(notice(), outlet="mail")]))
    failing = Traffic(
        failures=2, failing_since=AT - 9, succeeded_at=AT - 99, failed_at=AT - 1, error="connection refused"
    )
    row = asdict(failing) | {"outlet": "mail"}
    site.store.database.write(lambda connection: save_traffic(connection, row))
    assert [each.leads_to for each in site.ways.rows()] == [*["127.0.0.1"] * 4, None]
    assert [each.recipients for each in site.ways.rows()] == [None, None, 2, None, None]
    assert [each.phones for each in site.ways.rows()] == [None, None, None, None, 0]
    mail = site.row("mail")
    assert (mail.state, mail.since, mail.succeeded_at) == ("failing", AT - 9, AT - 99)
    assert (mail.failed_at, mail.error, mail.waiting) == (AT - 1, "connection refused", 1)
    assert (site.row("hook").state, site.row("hook").waiting) == ("new", 0)


def test_the_list_says_which_outlet_no_route_leads_to(site: Site) -> None:
    assert {each.name for each in site.ways.rows() if not each.routed} == {"unheard"}


def test_a_preview_shows_where_a_template_would_fail() -> None:
    template = '{% if notice.level == "empty" %}{{ a.b.c }}{% endif %}{"text": {{ text | tojson }}}'
    room = build_outlet(name="room", type="chat", url="http://h", template=template)
    early, empty, *_ = asyncio.run(previews(room, now=AT))
    assert json.loads(early.shown.text)["text"]
    assert empty.shown.text.startswith("template fails: UndefinedError")


def test_a_preview_shows_all_that_would_be_sent_and_sends_nothing(site: Site) -> None:
    chat = asyncio.run(site.ways.preview("room"))
    assert [each.sample for each in chat] == ["early", "empty", "closed", "several at once"]
    texts = [json.loads(each.shown.text)["text"] for each in chat]
    assert texts[0].startswith("L3 P1 slot T2 runs low: about 9 panels left (8 to 11)")
    assert "The emergency stop and the drive switch are never" in texts[0]
    assert "F07" in texts[3]
    assert "T2" in texts[3]
    mail = asyncio.run(site.ways.preview("mail"))
    headers = dict(mail[1].shown.headers)
    assert headers["Subject"].startswith("Re: L3 P1 slot T2: supply runs out (20")
    assert headers["To"] == "2 addresses"
    assert "In-Reply-To" in headers
    assert (mail[0].shown.html or "").startswith("<!doctype html>")
    hook = asyncio.run(site.ways.preview("hook"))
    assert [json.loads(each.shown.text)["type"] for each in hook] == [
        "earlybell.notice.opened",
        "earlybell.notice.changed",
        "earlybell.notice.closed",
    ]
    assert not site.room.received.all()
    assert not site.mail.received.all()
