"""A handover as a mail server and a chat get it, whole, in the reader's language, also beside a warning; and
the scheduler's moments, on days whose clocks are changed."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
import pytest

from service.domain.model import from_datetime
from service.domain.policy import Policy
from service.domain.turns import turns
from service.language import speak
from service.outlets.chat import ChatOutlet
from service.outlets.email import EmailOutlet
from service.ports import Delivered, Delivery
from service.timetable import OnSiteTime
from tests.support.digests import DAY_SHIFTS, Plant, Reviewed, digests
from tests.support.notices import AT, delivery, notice
from tests.support.outbox import MemoryOutbox
from tests.support.receivers import HttpReceiver, MailReceiver

VIENNA = ZoneInfo("Europe/Vienna")
TWO = from_datetime(datetime(2026, 3, 2, 14, tzinfo=VIENNA))
HOSTILE = 'R<b>10</b> <!channel> "K"'


@pytest.fixture
def mailbox() -> Iterator[MailReceiver]:
    with MailReceiver() as one:
        yield one


@pytest.fixture
def room() -> Iterator[HttpReceiver]:
    with HttpReceiver() as one:
        yield one


def handovers() -> list[Delivery]:
    """One for the mail, one for the chat."""
    outbox = MemoryOutbox()
    waiting = [msgspec.to_builtins(notice(part=HOSTILE))]
    digests(outbox, showing=Plant(notices=waiting), review=Reviewed(supply=2, fault=1)).look(TWO)
    return outbox.claim(owner="t", now=TWO, lease_until=TWO + 1, limit=9)


def mail_outlet(mailbox: MailReceiver) -> EmailOutlet:
    return EmailOutlet(
        "mail",
        f"smtp://127.0.0.1:{mailbox.port}",
        to=["ada@plant.example"],
        from_="Bell <bell@plant.example>",
        public_url="https://bell.plant.example",
        zone=VIENNA,
        language=speak("de"),
    )


def test_a_letter_has_its_sections_as_text_and_as_lists(mailbox: MailReceiver) -> None:
    mail, _ = handovers()
    assert asyncio.run(mail_outlet(mailbox).send(mail, now=TWO)) == Delivered()
    (letter,) = mailbox.wait_for(1)
    assert letter.message["Subject"] == "L3: Schichtwechsel (02.03.2026 14:00)"
    text, page = letter.text().replace("\r", ""), letter.text("html")
    assert text.startswith("L3, 06:00 bis 14:00: 24 min durch Stillstände verloren.")
    assert "\n\nVerloren, und warum\n- Vorrat leer: 16 min, 24 Stillstände\n- Störung: 8 min" in text
    assert "https://bell.plant.example/handover?line=L3" in text
    assert "<li>Vorrat leer: 16 min, 24 Stillstände</li>" in page
    assert "<b>10</b>" not in page
    assert "&lt;b&gt;10&lt;/b&gt;" in page


def test_a_chat_gets_all_of_it_in_one_harmless_message(room: HttpReceiver) -> None:
    _, chat = handovers()
    outlet = ChatOutlet("chat", room.url, site="Werk Nord", public_url="", zone=VIENNA)

    async def send() -> None:
        assert await outlet.send(chat, now=TWO) == Delivered()
        await outlet.close()

    asyncio.run(send())
    text = room.wait_for(1)[0].json["text"]
    assert "\nWhere most was lost\n- P1 F07, R-10K-0402: 16 min, 24 stops\n" in text
    assert "<!channel>" not in text


def test_beside_a_warning_in_one_letter_nothing_of_it_is_lost(mailbox: MailReceiver) -> None:
    mail, _ = handovers()
    outlet = mail_outlet(mailbox)
    assert asyncio.run(outlet.send_many([delivery(), mail], now=AT)) == Delivered()
    text = mailbox.wait_for(1)[0].text().replace("\r", "")
    for said in ("L3, 06:00 bis 14:00: 24 min", "\nVerloren, und warum\n- Vorrat leer", "MCU-48Q"):
        assert said in text


@pytest.mark.parametrize("zone", ["Europe/Vienna", "America/New_York"])
@pytest.mark.parametrize("day", ["2026-03-08", "2026-03-29", "2026-10-25", "2026-11-01"])
def test_the_scheduler_fires_at_each_end_of_a_shift_and_once(zone: str, day: str) -> None:
    """As the library does it: asked again and again with what it fired last."""
    there = ZoneInfo(zone)
    shifts = [msgspec.structs.replace(each) for each in DAY_SHIFTS]
    shifts[2] = msgspec.structs.replace(shifts[2], end="02:30")
    rules = Policy(timezone=zone, shifts=tuple(shifts))
    begin = datetime.fromisoformat(f"{day}T00:00").replace(tzinfo=there)
    end = from_datetime(begin.replace(tzinfo=there) + timedelta(days=2))

    def next_after(at: int) -> int | None:
        return next((each.until for each in turns(rules, ["L3"], at, at + 3 * 86_400_000_000)), None)

    trigger, fired = OnSiteTime(next_after, there), list[datetime]()
    now = begin
    while (found := _fire(trigger, fired, now)) is not None and from_datetime(found) <= end:
        now = found + timedelta(microseconds=1)
        fired.append(found)
    expected = [each.until for each in turns(rules, ["L3"], from_datetime(begin), end)]
    assert [from_datetime(each) for each in fired] == expected
    assert len(expected) == 6
    assert all(one < other for one, other in pairwise(expected))


def _fire(trigger: OnSiteTime, fired: list[datetime], now: datetime) -> Any:
    return trigger.get_next_fire_time(fired[-1] if fired else None, now)
