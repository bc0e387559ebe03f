"""A notice as a letter."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.parser import BytesParser
from email.policy import default
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.model import Notice
from service.outlets.escape import cleaned, plain
from service.outlets.letter import Told, letter
from service.outlets.words import words
from tests.support.notices import LOW, closed, notice, urgent

DATE = datetime(2026, 3, 2, 6, 14, 7, tzinfo=UTC)
HOSTILE = [
    "x\r\nBcc: everyone@plant.example",
    "x\n\n<script>alert(1)</script>",
    "</td><script>alert(1)</script>",
    "=?utf-8?q?=0d=0aBcc:_x@y.example?=",
    "Größe µ 抵抗 \U0001f514",
    "\ud800",
    "x" * 10_000,
    '"><img src=x onerror=alert(1)>',
]


HEADERS = ["From", "To", "Subject", "Date", "Message-ID", "Auto-Submitted", "MIME-Version", "Content-Type"]


def sent(about: Notice, *, outlet: str = "mail") -> bytes:
    said = words(cleaned(about, plain), zone=ZoneInfo("Europe/Berlin"), link="https://b.example/notice/n7c1")
    mail = letter(
        said,
        told=[Told(about.id, about.version)],
        outlet=outlet,
        sender=Address("Bell", addr_spec="bell@plant.example"),
        recipients=[Address("", addr_spec="ada@plant.example"), Address("", addr_spec="ben@plant.example")],
        date=DATE,
    )
    return mail.as_bytes()


def read(raw: bytes) -> EmailMessage:
    mail = BytesParser(policy=default).parsebytes(raw)
    assert isinstance(mail, EmailMessage)
    return mail


def test_opened_changed_and_closed_are_one_thread() -> None:
    # RFC 5322, 3.6.4: In-Reply-To is the parent's id, References the parent's References and then its id.
    mails = [read(sent(one)) for one in (notice(), urgent(), closed())]
    ids = [str(mail["Message-ID"]) for mail in mails]
    assert ids == [f"<n7c1.v{n}.mail@plant.example>" for n in (1, 2, 3)]
    assert [str(mail["References"] or "").split() for mail in mails] == [[], ids[:1], ids[:2]]
    assert [mail["In-Reply-To"] for mail in mails] == [None, ids[0], ids[1]]
    title = "L3 P1 slot T2: supply runs out"
    assert [mail["Subject"] for mail in mails] == [title, f"Re: {title}", f"Re: {title}"]


def test_two_outlets_have_ids_of_their_own() -> None:
    assert read(sent(notice(), outlet="a"))["Message-ID"] != read(sent(notice(), outlet="b"))["Message-ID"]


def test_a_name_that_may_not_stand_in_an_id_is_replaced_by_a_digest() -> None:
    mail = read(sent(notice(id="a b>\r\nX: y"), outlet="Schicht 1 <früh>"))
    assert re.fullmatch(r"<[0-9a-f]{20}\.v1\.[0-9a-f]{20}@plant\.example>", str(mail["Message-ID"]))


def test_a_long_chain_keeps_its_first_and_its_nearest_ids_whole() -> None:
    raw = sent(notice(version=100))
    header = raw.split(b"\r\nReferences: ")[1].split(b"\r\nAuto-Submitted")[0]
    numbers = re.findall(rb"<n7c1\.v(\d+)\.mail@plant\.example>", header)
    assert [int(n) for n in numbers] == [1, *range(81, 100)]
    assert b"=?" not in header


def test_a_reader_finds_text_and_html_and_no_reply_robot_answers() -> None:
    mail = read(sent(notice()))
    text, page = mail.get_body(("plain",)), mail.get_body(("html",))
    assert text is not None
    assert page is not None
    assert text.get_content().startswith("L3 P1 slot T2 runs low: about 9 panels left (8 to 11)")
    assert '<a href="https://b.example/notice/n7c1">' in page.get_content()
    assert mail["Auto-Submitted"] == "auto-generated"
    assert mail["Date"].datetime == DATE
    assert str(mail["From"]) == "Bell <bell@plant.example>"
    assert str(mail["To"]) == "ada@plant.example, ben@plant.example"


@pytest.mark.parametrize("text", HOSTILE)
@pytest.mark.parametrize("field", ["part", "taken_by", "line", "slot", "message"])
def test_no_text_from_the_floor_makes_a_header_or_markup(field: str, text: str) -> None:
    kind = "silent" if field == "message" else "supply"
    raw = sent(notice(**{field: text}, kind=kind, state="taken"))
    mail = read(raw)
    assert list(mail.keys()) == HEADERS
    page = mail.get_body(("html",))
    assert page is not None
    assert "<script" not in page.get_content()
    assert "<img" not in page.get_content()
    raw.decode("ascii")
    assert max(len(line) for line in raw.split(b"\r\n")) <= 998  # RFC 5322, 2.1.1


@given(st.text() | st.text(alphabet=st.sampled_from('=?utf8qQbB_:0dDaA<>\r\n,;@\\"( ')))
def test_no_slot_name_at_all_adds_a_header_or_changes_another(text: str) -> None:
    raw = sent(notice(slot=text)).split(b"\r\n\r\n")[0]
    names = [line.split(b":")[0] for line in raw.split(b"\r\n") if not line.startswith(b" ")]
    assert [name.decode() for name in names] == HEADERS


def test_a_letter_is_the_same_whenever_it_is_made_again() -> None:
    def without_boundary(raw: bytes) -> bytes:
        return re.sub(rb"===============\d+==", b"", raw)

    assert without_boundary(sent(LOW)) == without_boundary(sent(LOW))
