"""Letters as a mail store groups them: one thread for each notice, and for those that shared a letter.

RFC 5256 (THREAD=REFERENCES) as Dovecot does it, read back over IMAP.
"""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from service.domain.model import Change, Notice, from_datetime
from service.outlets.email import EmailOutlet
from service.ports import Delivered, Delivery
from tests.support.mailstore import MailStore
from tests.support.notices import closed, delivery, notice, urgent
from tests.support.receivers import MailReceiver


@pytest.fixture
def store() -> Iterator[MailStore]:
    with MailStore() as one:
        yield one


@pytest.fixture
def mailbox() -> Iterator[MailReceiver]:
    with MailReceiver() as one:
        yield one


def told(about: Notice, change: Change = Change.OPENED) -> Delivery:
    return delivery(key=f"{about.id}:{about.version}", conversation=about.id, change=change, notice=about)


def post(mailbox: MailReceiver, *messages: Sequence[Delivery]) -> None:
    outlet = EmailOutlet(
        "mail",
        f"smtp://127.0.0.1:{mailbox.port}",
        to=["ada@plant.example"],
        from_="Bell <bell@plant.example>",
        public_url="https://bell.plant.example",
        zone=ZoneInfo("Europe/Berlin"),
    )

    async def send() -> None:
        for each in messages:
            now = from_datetime(datetime.now(UTC))
            one = len(each) == 1
            sent = await (outlet.send(each[0], now=now) if one else outlet.send_many(each, now=now))
            assert sent == Delivered()

    asyncio.run(send())


def names(store: MailStore) -> list[set[str]]:
    """The threads, each letter by what stands before the outlet in its id."""
    return [{re.sub(r"\.mail@.*|^<|(?<=bundle)\..*", "", each) for each in one} for one in store.threads()]


def test_each_emptying_of_a_slot_is_a_thread_of_its_own(mailbox: MailReceiver, store: MailStore) -> None:
    emptyings = {"n1": "2026-03-02T06:14:07.250Z", "n2": "2026-03-02T09:41:00.000Z"}
    stories = [
        [make(id=name, opened_at=at) for make in (notice, urgent, closed)] for name, at in emptyings.items()
    ]
    post(mailbox, *([told(each)] for each in [*stories[0][:2], *stories[1], stories[0][2]]))
    store.put(mailbox.wait_for(6))
    assert names(store) == [{"n1.v1", "n1.v2", "n1.v3"}, {"n2.v1", "n2.v2", "n2.v3"}]


def test_what_comes_of_each_notice_joins_the_letter_that_told_of_several(
    mailbox: MailReceiver, store: MailStore
) -> None:
    """The most urgent one and the others alike, and a notice that had no part in it stays apart."""
    bundle = [told(urgent(id="n1", version=1)), told(notice(id="n2")), told(notice(id="n3"))]
    later = [urgent(id="n2"), closed(id="n1", version=2), closed(id="n3", version=2), closed(id="n2")]
    post(mailbox, bundle, [told(notice(id="apart"))], *([told(each, Change.CHANGED)] for each in later))
    store.put(mailbox.wait_for(6))
    assert names(store) == [{"bundle", "n2.v2", "n1.v2", "n3.v2", "n2.v3"}, {"apart.v1"}]


def test_a_letter_about_several_stands_in_the_threads_that_they_have(
    mailbox: MailReceiver, store: MailStore
) -> None:
    bundle = [told(urgent(id="n2"), Change.CHANGED), told(closed(id="n1", version=2), Change.CLOSED)]
    post(mailbox, [told(notice(id="n1"))], [told(notice(id="n2"))], bundle, [told(closed(id="n2"))])
    store.put(mailbox.wait_for(4))
    assert names(store) == [{"n1.v1", "n2.v1", "bundle", "n2.v3"}]


def test_two_digests_of_a_storm_and_what_came_of_it_are_one_thread_in_any_order_of_urgency(
    mailbox: MailReceiver, store: MailStore
) -> None:
    opened = [told(notice(id=f"n{number:03}", slot=f"F{number}")) for number in range(300)]
    worse = [told(urgent(id=f"n{number:03}"), Change.CHANGED) for number in reversed(range(200, 300))]
    post(mailbox, opened, worse, [told(closed(id="n250"))], [told(closed(id="n007", version=2))])
    store.put(mailbox.wait_for(4))
    assert names(store) == [{"bundle", "n250.v3", "n007.v2"}]
    assert max(len(each.content) for each in mailbox.received.all()) < 100_000


def test_a_reminder_is_a_letter_of_its_own_in_the_thread(mailbox: MailReceiver, store: MailStore) -> None:
    again = [told(urgent(reminded=number), Change.REMINDED) for number in (1, 2)]
    post(mailbox, [told(notice())], [told(urgent())], *([each] for each in again), [told(closed())])
    store.put(mailbox.wait_for(5))
    assert names(store) == [{"n7c1.v1", "n7c1.v2", "n7c1.v2.r1", "n7c1.v2.r2", "n7c1.v3"}]
    reminders = [each for each in store.letters().values() if ".r" in str(each["Message-ID"])]
    assert all("nobody has taken it" in _text(each) for each in reminders)


def test_subjects_and_both_sides_of_a_letter_come_out_as_they_went_in(
    mailbox: MailReceiver, store: MailStore
) -> None:
    bundle = [told(urgent(id="n1", line="Löt 3", part="Größe µ")), told(notice(id="n2", line="Löt 3"))]
    post(mailbox, bundle)
    store.put(mailbox.wait_for(1))
    (letter,) = store.letters().values()
    assert letter["Subject"].startswith("Löt 3: 1 slot almost empty, 1 slot runs low (20")
    assert "P1 slot T2: about 2 panels left, empty about 07:23; one tray of Größe µ" in _text(letter)
    assert "one tray of Größe µ" in _text(letter, "html")
    assert 'href="https://bell.plant.example/?line=L%C3%B6t%203"' in _text(letter, "html")


def test_a_letter_about_others_than_the_try_before_has_another_id(mailbox: MailReceiver) -> None:
    """A mail system may drop what it has seen under one id: what came along since would be lost."""
    one, two, three = (told(notice(id=name)) for name in ("n1", "n2", "n3"))
    post(mailbox, [one, two], [two, one], [one, two, three])
    first, same, other = (str(each.message["Message-ID"]) for each in mailbox.wait_for(3))
    assert first == same != other


def _text(letter: object, kind: str = "plain") -> str:
    part = letter.get_body((kind,))  # type: ignore[attr-defined]
    return str(part.get_content())
