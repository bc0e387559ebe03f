"""Hostile text on its way out: a chat finds nothing to act on, a letter has our headers and no others."""

from __future__ import annotations

import asyncio
import html.parser
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
import pytest

from service.domain.model import Notice, from_datetime
from service.outlets.chat import ChatOutlet
from service.outlets.email import EmailOutlet
from service.outlets.webhook import WebhookOutlet
from service.ports import Bundling, Delivered, Outlet
from tests.support.hostile import HOSTILE, invisible
from tests.support.notices import closed, delivery, notice
from tests.support.receivers import HttpReceiver, Mail, MailReceiver

FIELDS = ("part", "taken_by", "message", "closed_by", "line", "station", "slot", "closed_because")
HEADERS = {
    "from", "to", "subject", "date", "message-id", "in-reply-to", "references", "auto-submitted",
    "mime-version", "content-type", "x-peer", "x-mailfrom", "x-rcptto",
}  # fmt: skip
OTHERS = ("Bcc", '{"action', "at=1", "rm -rf")
"""How lines begin that the texts would have of their own."""
EVERYTHING = {**HOSTILE, "long": "x" * 10_000, "surrogate": "a\ud83d\udc00b\udfff"}


def hostile_notices(text: str) -> list[Notice]:
    """The text in every field, in each kind of message."""
    said: dict[str, Any] = dict.fromkeys(FIELDS, text)
    return [
        notice(**said | {"closed_because": None}),
        notice(**said | {"state": "taken", "version": 2, "closed_because": None}),
        notice(**said | {"kind": "refused", "closed_because": None}),
        closed(**said),
        closed(**said | {"closed_because": "person"}),
    ]


def send_all(outlet: Outlet, text: str) -> None:
    async def all_of_them() -> None:
        now = from_datetime(datetime.now(UTC))
        for number, each in enumerate(hostile_notices(text)):
            said = await outlet.send(delivery(key=f"n:{number}:x", notice=each), now=now)
            assert said == Delivered()
        await outlet.close()

    asyncio.run(all_of_them())


def send_together(outlet: Bundling, text: str) -> None:
    """Twice all of them in one message: some in full, the others in short."""

    async def all_of_them() -> None:
        told = [
            delivery(key=f"n:{number}:x", notice=msgspec.structs.replace(each, id=f"n{number}"))
            for number, each in enumerate(2 * hostile_notices(text))
        ]
        assert await outlet.send_many(told, now=from_datetime(datetime.now(UTC))) == Delivered()
        await outlet.close()

    asyncio.run(all_of_them())


@pytest.fixture
def receiver() -> Iterator[HttpReceiver]:
    with HttpReceiver() as one:
        yield one


@pytest.fixture
def mailbox() -> Iterator[MailReceiver]:
    with MailReceiver() as one:
        yield one


@pytest.mark.parametrize("text", EVERYTHING.values(), ids=list(EVERYTHING))
def test_a_chat_finds_nothing_to_act_on(receiver: HttpReceiver, text: str) -> None:
    chat = ChatOutlet("c", receiver.url, site=text, public_url="https://b.example", zone=ZoneInfo("UTC"))
    send_all(chat, text)
    for got in receiver.wait_for(5):
        said = got.json["text"].replace("https://b.example/notice/n7c1", "")
        assert not set(said) & set("<>@[]`*~")
        assert "://" not in said
        assert not invisible(said)
        assert len(said) < 4_000
        # Its lines are ours: none of them begins as the text would have it.
        assert not [line for line in said.splitlines() if line.startswith(OTHERS)]


@pytest.mark.parametrize("text", EVERYTHING.values(), ids=list(EVERYTHING))
def test_a_chat_finds_nothing_to_act_on_in_a_message_about_many(receiver: HttpReceiver, text: str) -> None:
    chat = ChatOutlet("c", receiver.url, site=text, public_url="https://b.example", zone=ZoneInfo("UTC"))
    send_together(chat, text)
    (got,) = receiver.wait_for(1)
    *said, link = got.json["text"].split("\n")
    assert link.startswith("https://b.example/?line=")
    assert link.isascii()
    assert not set("".join(said)) & set("<>@[]`*~")
    assert "://" not in "".join(said)
    assert not invisible("\n".join(said))
    assert not [line for line in said if line.startswith(OTHERS)]


class _Tags(html.parser.HTMLParser):
    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data


OURS = {"html", "head", "meta", "title", "body", "p", "strong", "small", "a"}


def check_letter(mail: Mail, *, to: str = "ada@plant.example", link: str = "https://b.example/") -> None:
    assert mail.recipients == (to,)
    message = mail.message
    assert {name.lower() for name in message} <= HEADERS
    for value in message.values():
        assert not invisible(str(value))
        assert "\n" not in str(value)
    plain = mail.text("plain").replace("\r\n", "\n")
    assert not invisible(plain)
    assert not [line for line in plain.splitlines() if line.startswith(OTHERS)]
    page = _Tags(mail.text("html").replace("\r\n", "\n"))
    assert {tag for tag, _ in page.tags} <= OURS
    (href,) = [attributes["href"] for tag, attributes in page.tags if tag == "a"]
    assert (href or "").startswith(link)
    known = {"lang", "charset", "name", "content", "style", "href"}
    assert all(set(attributes) <= known for _, attributes in page.tags)
    assert not invisible(page.text)


@pytest.mark.parametrize("text", EVERYTHING.values(), ids=list(EVERYTHING))
def test_a_letter_has_our_headers_and_our_markup_and_no_others(mailbox: MailReceiver, text: str) -> None:
    outlet = EmailOutlet(
        "m",
        f"smtp://127.0.0.1:{mailbox.port}",
        to=["ada@plant.example"],
        from_="bell@plant.example",
        public_url="https://b.example",
        zone=ZoneInfo("UTC"),
    )
    send_all(outlet, text)
    send_together(outlet, text)
    for mail in mailbox.wait_for(6):
        check_letter(mail)


def test_markup_is_shown_as_it_was_sent(mailbox: MailReceiver) -> None:
    outlet = EmailOutlet(
        "m",
        f"smtp://127.0.0.1:{mailbox.port}",
        to=["ada@plant.example"],
        from_="bell@plant.example",
        public_url="https://b.example",
        zone=ZoneInfo("UTC"),
    )
    send_all(outlet, HOSTILE["script"])
    assert HOSTILE["script"] in _Tags(mailbox.wait_for(5)[0].text("html")).text
    assert HOSTILE["script"] in mailbox.wait_for(5)[0].text("plain")


@pytest.mark.parametrize("text", HOSTILE.values(), ids=list(HOSTILE))
def test_a_program_gets_the_text_as_it_is_in_headers_that_are_ours(receiver: HttpReceiver, text: str) -> None:
    send_all(WebhookOutlet("h", receiver.url, site=text), text)
    for got in receiver.wait_for(5):
        assert got.json["data"]["part"] == text
        assert got.json["source"].isascii()
        assert got.json["subject"].isascii()
        assert set(got.headers) <= {
            "host", "accept", "accept-encoding", "connection", "user-agent", "content-length", "content-type",
            "webhook-id", "webhook-timestamp",
        }  # fmt: skip
