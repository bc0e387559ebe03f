"""The outlets against real receivers: what is sent, and what each kind of answer means."""

from __future__ import annotations

import asyncio
import logging
import select
import socket
import ssl
import subprocess
import threading
import time
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from itertools import chain, cycle
from pathlib import Path
from typing import Any, Self
from zoneinfo import ZoneInfo

import pytest
from standardwebhooks import Webhook

from service.domain.model import Change, from_datetime
from service.outlets.chat import ChatOutlet
from service.outlets.email import EmailOutlet
from service.outlets.network import Way
from service.outlets.webhook import WebhookOutlet
from service.ports import Delivered, Delivery, Failed, Outlet
from tests.support.notices import closed, delivery, notice, urgent
from tests.support.ports import free_port
from tests.support.receivers import Answer, HttpReceiver, MailReceiver, SilentServer

SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
BERLIN = ZoneInfo("Europe/Berlin")
PUBLIC = "https://bell.plant.example"
UNTRUSTED = "its TLS certificate isn't trusted: we don't know the authority that signed it"
ADA, BEN = "ada@plant.example", "ben@plant.example"


def now() -> int:
    return from_datetime(datetime.now(UTC))


def send(outlet: Outlet, *deliveries: Delivery, at: int | None = None) -> list[Delivered | Failed]:
    async def all_of_them() -> list[Delivered | Failed]:
        try:
            return [await outlet.send(one, now=at or now()) for one in deliveries]
        finally:
            await outlet.close()

    return asyncio.run(all_of_them())


def hook(receiver: HttpReceiver, **more: Any) -> WebhookOutlet:
    said: dict[str, Any] = {"site": "Werk Süd/1", "deadline": 5.0}
    return WebhookOutlet("hook", receiver.url, **said | more)


def chat(receiver: HttpReceiver, **more: Any) -> ChatOutlet:
    return ChatOutlet("chat", receiver.url, site="Werk Süd", public_url=PUBLIC, zone=BERLIN, **more)


def mail(port: int, *, scheme: str = "smtp", login: str = "", **more: Any) -> EmailOutlet:
    said: dict[str, Any] = {"to": [ADA], "from_": "Bell <bell@plant.example>", "deadline": 5.0}
    url = f"{scheme}://{login}127.0.0.1:{port}"
    return EmailOutlet("mail", url, **said | {"public_url": PUBLIC + "/", "zone": BERLIN} | more)


@pytest.fixture
def receiver() -> Iterator[HttpReceiver]:
    with HttpReceiver() as one:
        yield one


@pytest.fixture
def mailbox() -> Iterator[MailReceiver]:
    with MailReceiver() as one:
        yield one


# --- webhook: what is sent


def test_a_webhook_is_a_cloud_event_with_the_notice_in_it(receiver: HttpReceiver) -> None:
    assert send(hook(receiver), delivery(notice=notice(slot="Fach 7"))) == [Delivered()]
    (got,) = receiver.wait_for(1)
    event = got.json
    # CloudEvents 1.0.2: these four are required, and source is a URI-reference.
    assert (event["specversion"], event["type"]) == ("1.0", "earlybell.notice.opened")
    assert (event["id"], event["source"]) == ("n7c1:1:hook", "/earlybell/Werk%20S%C3%BCd%2F1")
    assert event["subject"] == "L3/P1/Fach%207"
    assert event["time"] == "2026-03-02T06:14:07.250Z"
    assert event["data"]["panels_to_empty"] == {"p05": 8, "p50": 9, "p95": 11}
    assert event["data"]["part"] == "MCU-48Q"
    assert all(name.isalnum() and name.islower() for name in event)
    assert got.headers["content-type"] == "application/cloudevents+json"


def test_the_receiver_can_verify_the_signature_of_what_arrived(receiver: HttpReceiver) -> None:
    send(hook(receiver, secrets=[SECRET]), delivery())
    (got,) = receiver.wait_for(1)
    assert Webhook(SECRET).verify(got.body, dict(got.headers))["id"] == got.headers["webhook-id"]


def test_without_a_secret_nothing_claims_to_be_signed(receiver: HttpReceiver) -> None:
    send(hook(receiver), delivery())
    (got,) = receiver.wait_for(1)
    assert "webhook-signature" not in got.headers
    assert abs(int(got.headers["webhook-timestamp"]) - time.time()) < 5


def test_a_retry_has_the_same_id_and_the_time_of_its_attempt(receiver: HttpReceiver) -> None:
    first = now()
    outlet = hook(receiver, secrets=[SECRET])

    async def twice() -> None:
        await outlet.send(delivery(), now=first)
        await outlet.send(delivery(attempts=2), now=first + 60_000_000)
        await outlet.close()

    asyncio.run(twice())
    one, two = receiver.wait_for(2)
    assert one.headers["webhook-id"] == two.headers["webhook-id"] == two.json["id"]
    assert int(two.headers["webhook-timestamp"]) - int(one.headers["webhook-timestamp"]) == 60
    assert one.body == two.body


def test_an_id_fits_a_header_and_has_no_dot_whatever_the_outlet_is_called(receiver: HttpReceiver) -> None:
    send(hook(receiver), delivery(key="n7c1:1:Früh.1\r\nx: y"))
    (got,) = receiver.wait_for(1)
    assert got.headers["webhook-id"] == got.json["id"] == "n7c1:1:Fr%C3%BCh%2E1%0D%0Ax:%20y"


def test_a_late_attempt_tells_what_is_true_now_under_the_id_that_was_refused(receiver: HttpReceiver) -> None:
    receiver.answer(Answer(status=500))
    late = delivery(attempts=2, latest=urgent())
    assert send(hook(receiver), delivery(), late)[1] == Delivered()
    one, two = (got.json for got in receiver.wait_for(2))
    assert "replaces" not in one
    assert (two["id"], two["type"], two["replaces"]) == (one["id"], "earlybell.notice.opened", 1)
    assert (two["data"]["level"], two["data"]["version"]) == ("urgent", 2)


def test_what_is_closed_by_now_is_told_as_closed(receiver: HttpReceiver) -> None:
    send(hook(receiver), delivery(change=Change.CHANGED, attempts=2, notice=urgent(), latest=closed()))
    (got,) = receiver.wait_for(1)
    assert (got.json["type"], got.json["replaces"]) == ("earlybell.notice.closed", 2)


def test_what_is_open_again_is_not_told_as_closed(receiver: HttpReceiver) -> None:
    again = urgent(version=4)
    send(hook(receiver), delivery(change=Change.CLOSED, attempts=2, notice=closed(), latest=again))
    (got,) = receiver.wait_for(1)
    assert got.json["type"] == "earlybell.notice.changed"


@pytest.mark.parametrize(
    ("tried", "told"), [(None, "n7c1:1:hook"), (1, "n7c1:1:hook:now3"), (3, "n7c1:1:hook")]
)
def test_news_that_a_receiver_might_drop_as_seen_has_an_id_of_its_own_and_a_repeat_has_not(
    receiver: HttpReceiver, tried: int | None, told: str
) -> None:
    """``tried``: the version that an earlier attempt told which may have arrived."""
    send(hook(receiver), delivery(attempts=3, latest=closed(), tried=tried))
    (got,) = receiver.wait_for(1)
    assert got.headers["webhook-id"] == told


@pytest.mark.parametrize(
    ("answer", "untouched"),
    [
        (Answer(status=500), True),
        (Answer(status=429), True),
        (Answer(status=504), False),
        (Answer(drop=True), False),
    ],
)
def test_a_receiver_that_says_no_has_taken_nothing_and_one_that_says_nothing_may_have(
    receiver: HttpReceiver, answer: Answer, untouched: bool
) -> None:
    receiver.answer(answer)
    (outcome,) = send(hook(receiver), delivery())
    assert isinstance(outcome, Failed)
    assert outcome.untouched == untouched


# --- webhook: what answers mean


@pytest.mark.parametrize("status", [200, 201, 202, 204])
def test_2xx_is_delivered(receiver: HttpReceiver, status: int) -> None:
    receiver.answer(then=Answer(status=status))
    assert send(hook(receiver), delivery()) == [Delivered()]


@pytest.mark.parametrize(
    ("answer", "outcome"),
    [
        (Answer(status=400), Failed("answered 400 Bad Request")),
        (Answer(status=404), Failed("answered 404 Not Found")),
        (Answer(status=410), Failed("answered 410 Gone", final=True)),
        (Answer(status=500), Failed("answered 500 Internal Server Error")),
        (Answer(status=599), Failed("answered 599")),
        (Answer(status=429), Failed("answered 429 Too Many Requests")),
        (
            Answer(status=429, headers={"retry-after": "7"}),
            Failed("answered 429 Too Many Requests", retry_after=7.0),
        ),
        (
            Answer(status=503, headers={"retry-after": "1000000000"}),
            Failed("answered 503 Service Unavailable", retry_after=1e9),
        ),
        (Answer(status=503, headers={"retry-after": "-5"}), Failed("answered 503 Service Unavailable")),
        (Answer(status=503, headers={"retry-after": "soon"}), Failed("answered 503 Service Unavailable")),
        (Answer(status=503, headers={"retry-after": "nan"}), Failed("answered 503 Service Unavailable")),
        (Answer(status=500, headers={"retry-after": "7"}), Failed("answered 500 Internal Server Error")),
    ],
)
def test_anything_else_is_a_failure_with_its_number(
    receiver: HttpReceiver, answer: Answer, outcome: Failed
) -> None:
    receiver.answer(then=answer)
    assert send(hook(receiver), delivery()) == [outcome]


def test_a_date_in_retry_after_is_understood(receiver: HttpReceiver) -> None:
    at = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)
    ahead, behind = (format_datetime(at + timedelta(minutes=m), usegmt=True) for m in (2, -2))
    receiver.answer(
        Answer(status=503, headers={"retry-after": ahead}),
        Answer(status=503, headers={"retry-after": behind}),
    )
    outcomes = send(hook(receiver), delivery(), delivery(attempts=2), at=from_datetime(at))
    assert [one.retry_after for one in outcomes if isinstance(one, Failed)] == [120.0, None]


def test_a_redirect_is_a_failure_and_is_not_followed(receiver: HttpReceiver) -> None:
    with HttpReceiver() as other:
        receiver.answer(then=Answer(status=302, headers={"location": other.url}))
        assert send(hook(receiver), delivery()) == [Failed("answered 302 Found")]
        assert other.received.all() == []


def test_a_receiver_that_never_answers_costs_the_deadline_and_no_more(receiver: HttpReceiver) -> None:
    receiver.answer(then=Answer(silent=True))
    began = time.monotonic()
    assert send(hook(receiver, deadline=0.3), delivery()) == [Failed("no answer within 0.3 s")]
    assert 0.25 < time.monotonic() - began < 2.0


def test_a_connection_that_nobody_answers_on_costs_the_deadline_and_no_more() -> None:
    with SilentServer() as silent:
        outlet = WebhookOutlet("hook", f"http://127.0.0.1:{silent.port}/", site="", deadline=0.3)
        assert send(outlet, delivery()) == [Failed("no answer within 0.3 s")]


@pytest.mark.parametrize(
    "answer", [Answer(body=b"x" * 600, drip=0.02), Answer(endless=True), Answer(body=b"x" * 1_000_000)]
)
def test_a_reply_that_does_not_end_delays_nothing(receiver: HttpReceiver, answer: Answer) -> None:
    receiver.answer(answer)
    began = time.monotonic()
    assert send(hook(receiver), delivery(), delivery(id=2, key="n7c1:2:hook")) == [Delivered(), Delivered()]
    assert time.monotonic() - began < 3.0


def test_a_failure_with_an_endless_body_is_still_that_failure(receiver: HttpReceiver) -> None:
    receiver.answer(then=Answer(status=500, endless=True))
    assert send(hook(receiver), delivery()) == [Failed("answered 500 Internal Server Error")]


def test_a_connection_dropped_without_an_answer_is_a_failure(receiver: HttpReceiver) -> None:
    receiver.answer(then=Answer(drop=True))
    assert send(hook(receiver), delivery()) == [Failed("connection lost before an answer")]


@pytest.mark.parametrize(
    ("url", "reason"),
    [
        ("http://127.0.0.1:{port}/k3y", "connection refused"),
        ("http://nowhere.invalid/k3y", "its name isn't known"),
        ("https://127.0.0.1:{plain}/k3y", "no TLS connection"),
    ],
)
def test_no_reason_and_no_log_names_the_address(
    receiver: HttpReceiver, caplog: pytest.LogCaptureFixture, url: str, reason: str
) -> None:
    caplog.set_level(logging.DEBUG)
    address = url.format(port=free_port(), plain=receiver.port)
    outlet = WebhookOutlet("hook", address, site="", secrets=[SECRET], deadline=5.0)
    assert send(outlet, delivery()) == [Failed(reason)]
    send(WebhookOutlet("hook", receiver.url + "/k3y", site=""), delivery())
    assert "k3y" not in caplog.text
    assert "k3y" not in repr(outlet)


# --- chat


def test_a_chat_gets_the_message_as_text(receiver: HttpReceiver) -> None:
    assert send(chat(receiver), delivery()) == [Delivered()]
    (got,) = receiver.wait_for(1)
    assert got.headers["content-type"] == "application/json"
    assert set(got.json) == {"text"}
    lines = got.json["text"].split("\n")
    assert lines[0] == "L3 P1 slot T2 runs low: about 9 panels left (8 to 11), empty about 07:23."
    assert lines[-1] == f"{PUBLIC}/notice/n7c1"


def test_a_part_number_pings_nobody(receiver: HttpReceiver) -> None:
    send(chat(receiver), delivery(notice=notice(part='<!channel> @here "\u202e\n', taken_by="<@U1>")))
    (got,) = receiver.wait_for(1)
    assert 'one tray of ‹!channel› ＠here "\n' in got.json["text"]


def test_the_body_is_what_the_template_makes(receiver: HttpReceiver) -> None:
    template = (
        '{"blocks": [{{ headline | tojson }}], "room": {{ site | tojson }}, '
        '"urgent": {{ (notice.level == "urgent") | tojson }}, "part": {{ notice.part | tojson }}, '
        '"change": {{ change | tojson }}, "link": {{ link | tojson }}, "title": {{ title | tojson }}}'
    )
    send(chat(receiver, template=template), delivery(notice=urgent(part="<b>"), change=Change.CHANGED))
    (got,) = receiver.wait_for(1)
    assert got.json == {
        "blocks": [
            "L3 P1 slot T2 is almost empty: about 2 panels left (2 to 3), empty about 07:23.",
        ],
        "room": "Werk Süd",
        "urgent": True,
        "part": "‹b›",
        "change": "changed",
        "link": f"{PUBLIC}/notice/n7c1",
        "title": "L3 P1 slot T2: supply runs out",
    }


def test_a_late_chat_message_tells_what_is_true_now(receiver: HttpReceiver) -> None:
    send(chat(receiver), delivery(attempts=3, latest=closed()))
    (got,) = receiver.wait_for(1)
    assert got.json["text"].split("\n")[:2] == [
        "L3 P1 slot T2: supply runs out (07:14), closed by now: it was refilled.",
        "This replaces a message that could not be delivered in time.",
    ]


def test_a_template_that_fails_on_a_notice_is_a_failure_not_a_crash(receiver: HttpReceiver) -> None:
    outlet = chat(receiver, template='{"n": {{ (1 // (5 - notice.version)) | tojson }}}')
    (outcome,) = send(outlet, delivery(notice=notice(version=5)))
    assert isinstance(outcome, Failed)
    assert outcome.reason.startswith("template fails: ZeroDivisionError")


# --- email


def test_a_letter_arrives_as_text_and_html_in_one_thread(mailbox: MailReceiver) -> None:
    deliveries = [
        delivery(notice=one, key=f"n7c1:{one.version}:mail") for one in (notice(), urgent(), closed())
    ]
    assert send(mail(mailbox.port), *deliveries) == [Delivered()] * 3
    got = mailbox.wait_for(3)
    ids = [str(one.message["Message-ID"]) for one in got]
    assert [str(one.message["References"] or "").split() for one in got] == [[], ids[:1], ids[:2]]
    assert [one.message["In-Reply-To"] for one in got] == [None, ids[0], ids[1]]
    assert len({str(one.message["Subject"]).removeprefix("Re: ") for one in got}) == 1
    assert (got[0].sender, got[0].recipients) == ("bell@plant.example", (ADA,))
    assert "Bring: one tray of MCU-48Q" in got[0].text()
    assert f'href="{PUBLIC}/notice/n7c1"' in got[0].text("html")
    assert got[2].text().startswith("L3 P1 slot T2: closed, it was refilled.")


def test_a_retry_of_a_letter_carries_the_same_id(mailbox: MailReceiver) -> None:
    mailbox.data_replies.append("451 4.3.0 try later")
    first, second = send(mail(mailbox.port), delivery(), delivery(attempts=2))
    assert first == Failed("the mail server refused the message (451)")
    assert second == Delivered()
    (got,) = mailbox.wait_for(1)
    assert got.message["Message-ID"] == "<n7c1.v1.mail@plant.example>"


def test_a_late_letter_takes_its_place_in_the_thread_as_what_is_true_now(mailbox: MailReceiver) -> None:
    send(mail(mailbox.port), delivery(attempts=2, latest=closed()))
    (got,) = mailbox.wait_for(1)
    assert got.message["Message-ID"] == "<n7c1.v3.mail@plant.example>"
    assert "This replaces a message" in got.text()


def test_who_has_all_that_a_letter_tells_is_not_sent_it_again_whatever_shares_it_by_then(
    mailbox: MailReceiver,
) -> None:
    one, two, three = (delivery(key=name, notice=notice(id=name)) for name in ("n1", "n2", "n3"))
    mailbox.refuse(BEN, *["450 4.2.0 greylisted, come again"] * 2)
    outlet = mail(mailbox.port, to=[ADA, BEN])

    async def send_all() -> list[Delivered | Failed]:
        together = [[one, two], [three], [three, one, two], [one, two]]
        return [await outlet.send_many(each, now=now()) for each in together]

    first, second, *others = asyncio.run(send_all())
    assert [isinstance(each, Failed) and each.partly for each in (first, second)] == [True, True]
    assert others == [Delivered(), Delivered()]
    assert [got.recipients for got in mailbox.received.all()] == [(ADA,), (ADA,), (BEN,), (ADA, BEN)]


def test_greylisting_is_tried_again(mailbox: MailReceiver) -> None:
    mailbox.refuse(ADA, "450 4.2.0 greylisted, come again")
    first, second = send(mail(mailbox.port), delivery(), delivery(attempts=2))
    assert first == Failed("1 of 1 recipients not accepted yet (450 4.2.0)")
    assert second == Delivered()


@pytest.mark.parametrize("reply", ["550 5.1.1 no such user", "550 unknown", "553 no", "550 5.2.1 disabled"])
def test_a_mailbox_that_does_not_exist_is_final(mailbox: MailReceiver, reply: str) -> None:
    mailbox.refuse(ADA, reply)
    (outcome,) = send(mail(mailbox.port), delivery())
    assert isinstance(outcome, Failed)
    assert outcome.final
    assert outcome.reason.startswith(f"every recipient refused ({reply[:3]}")


@pytest.mark.parametrize(
    "reply", ["554 5.7.1 relaying denied", "550 5.7.1 blocked", "552 5.2.2 mailbox full"]
)
def test_a_refusal_that_people_can_mend_is_not_final(mailbox: MailReceiver, reply: str) -> None:
    mailbox.refuse(ADA, reply)
    (outcome,) = send(mail(mailbox.port), delivery())
    assert outcome == Failed(f"1 of 1 recipients not accepted yet ({reply[:9]})")


def test_a_recipient_refused_for_good_costs_the_others_nothing(
    mailbox: MailReceiver, capsys: pytest.CaptureFixture[str]
) -> None:
    mailbox.refuse(BEN, "550 5.1.1 no such user")
    assert send(mail(mailbox.port, to=[ADA, BEN]), delivery()) == [Delivered()]
    (got,) = mailbox.wait_for(1)
    assert got.recipients == (ADA,)
    noticed = capsys.readouterr().out
    assert "recipient_refused" in noticed
    assert BEN in noticed


def test_a_recipient_who_was_put_off_gets_the_letter_later_and_the_other_only_once(
    mailbox: MailReceiver,
) -> None:
    mailbox.refuse(BEN, "450 4.2.0 greylisted", "450 4.2.0 greylisted")
    tries = [delivery(attempts=n) for n in (1, 2, 3)]
    first, second, third = send(mail(mailbox.port, to=[ADA, BEN]), *tries)
    assert first == second == Failed("1 of 2 recipients not accepted yet (450 4.2.0)")
    assert third == Delivered()
    assert [one.recipients for one in mailbox.wait_for(2)] == [(ADA,), (BEN,)]


def test_when_the_last_one_waiting_is_refused_the_others_have_it_all_the_same(mailbox: MailReceiver) -> None:
    mailbox.refuse(BEN, "450 4.2.0 greylisted", "550 5.1.1 no such user")
    first, second = send(mail(mailbox.port, to=[ADA, BEN]), delivery(), delivery(attempts=2))
    assert isinstance(first, Failed)
    assert second == Delivered()


def test_a_mail_server_without_a_word_costs_the_deadline_and_no_more() -> None:
    with SilentServer() as silent:
        began = time.monotonic()
        (outcome,) = send(mail(silent.port, deadline=0.4), delivery())
        assert outcome == Failed("no answer from the mail server within 0.4 s")
        assert time.monotonic() - began < 2.0


def test_a_mail_server_that_is_not_there_is_a_failure() -> None:
    assert send(mail(free_port()), delivery()) == [Failed("mail server: connection refused")]


def test_a_password_is_not_sent_in_the_clear_when_starttls_was_stripped(mailbox: MailReceiver) -> None:
    outlet = mail(mailbox.port, scheme="smtp+starttls", login="bell:k3y@")
    (outcome,) = send(outlet, delivery())
    assert outcome == Failed("the mail server offers no STARTTLS, which smtp+starttls:// demands")
    assert mailbox.attempts.all() == []


def test_a_wrong_password_is_a_failure_that_keeps_it() -> None:
    with MailReceiver(login=("bell", "right")) as box:
        good = mail(box.port, login="bell:right@")
        bad = mail(box.port, login="bell:k3y@")
        assert send(bad, delivery()) == [Failed("the mail server refused the login (535)")]
        assert send(good, delivery()) == [Delivered()]
        assert box.wait_for(1)[0].login == "bell"


@pytest.fixture(scope="session")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A certificate for 127.0.0.1 and its key, in one file."""
    folder = tmp_path_factory.mktemp("certificate")
    path = folder / "both.pem"
    make = "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2"
    name = "-subj /CN=127.0.0.1 -addext subjectAltName=IP:127.0.0.1 -keyout key.pem -out cert.pem"
    subprocess.run(f"{make} {name}".split(), cwd=folder, check=True, capture_output=True)
    path.write_bytes((folder / "key.pem").read_bytes() + (folder / "cert.pem").read_bytes())
    return path


@pytest.mark.parametrize("scheme", ["smtps", "smtp+starttls"])
def test_mail_goes_encrypted_where_the_url_says_so_and_only_to_a_trusted_server(
    certificate: Path, scheme: str
) -> None:
    tls = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    tls.load_cert_chain(certificate)
    with MailReceiver(tls=tls, implicit_tls=scheme == "smtps") as box:
        stranger = mail(box.port, scheme=scheme)
        assert send(stranger, delivery()) == [Failed(f"mail server: {UNTRUSTED}")]
        friend = mail(box.port, scheme=scheme, way=Way(ca_file=str(certificate)))
        assert send(friend, delivery()) == [Delivered()]
        (got,) = box.wait_for(1)
        assert got.encrypted


# --- receivers that do everything wrong


class RawServer:
    """Says to each connection what ``talk`` does with it, in a thread of its own."""

    def __init__(self, talk: Callable[[socket.socket], None]) -> None:
        self._talk = talk
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._socket.getsockname()[1])
        self.over = threading.Event()
        self._threads = [threading.Thread(target=self._accept, daemon=True)]

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                connection, _ = self._socket.accept()
                thread = threading.Thread(target=self._serve, args=(connection,), daemon=True)
                self._threads.append(thread)
                thread.start()

    def _serve(self, connection: socket.socket) -> None:
        with connection, suppress(OSError):
            self._talk(connection)

    def __enter__(self) -> Self:
        self._threads[0].start()
        return self

    def __exit__(self, *_: object) -> None:
        self.over.set()
        self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        for thread in self._threads:
            thread.join(5.0)


def dripping(*texts: bytes, listens: bool = True) -> Callable[[socket.socket], None]:
    """One byte after the other, for ever the last text."""

    def talk(connection: socket.socket) -> None:
        if listens:
            connection.recv(65536)
        for byte in chain(b"".join(texts), cycle(texts[-1])):
            connection.sendall(bytes([byte]))
            select.select([], [], [], 0.05)

    return talk


def flooding(head: bytes, piece: bytes, *, listens: bool = True) -> Callable[[socket.socket], None]:
    def talk(connection: socket.socket) -> None:
        if listens:
            connection.recv(65536)
        connection.sendall(head)
        while True:
            connection.sendall(piece)

    return talk


BAD_ANSWERS = {
    "a status line that drips": dripping(b"HTTP/1.1 200 OK\r\n", b"x"),
    "headers that drip": dripping(b"HTTP/1.1 200 OK\r\n", b"x-a: b\r\n"),
    "headers without end": flooding(b"HTTP/1.1 200 OK\r\n", b"x-more: " + b"y" * 60_000 + b"\r\n"),
    "a status line without end": flooding(b"HTTP/1.1 200 ", b"O" * 65536),
    "informational answers without end": flooding(b"", b"HTTP/1.1 103 Early Hints\r\n\r\n" * 500),
    "no HTTP at all": flooding(b"SSH-2.0-x\r\n", b"\0" * 65536),
}


@pytest.mark.parametrize("talk", BAD_ANSWERS.values(), ids=list(BAD_ANSWERS))
def test_a_receiver_that_answers_badly_ends_within_the_deadline_and_in_bounded_memory(
    talk: Callable[[socket.socket], None],
) -> None:
    with RawServer(talk) as server:
        outlet = WebhookOutlet("hook", f"http://127.0.0.1:{server.port}/", site="", deadline=1.0)
        tracemalloc.start()
        began = time.monotonic()
        (outcome,) = send(outlet, delivery())
        took, peak = time.monotonic() - began, tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert isinstance(outcome, Failed)
    assert not outcome.final
    assert took < 3.0
    assert peak < 8_000_000


@pytest.mark.parametrize(
    "location", ["http://169.254.169.254/latest/meta-data/", "http://[::1]:1/", "file:///etc/passwd", "//x"]
)
@pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
def test_no_redirect_is_followed_wherever_it_leads(
    receiver: HttpReceiver, status: int, location: str
) -> None:
    receiver.answer(then=Answer(status=status, headers={"location": location}))
    (outcome,) = send(hook(receiver), delivery())
    assert isinstance(outcome, Failed)
    assert outcome.reason.startswith(f"answered {status}")
    assert len(receiver.received.all()) == 1


def test_a_receiver_whose_certificate_is_not_trusted_hears_nothing(certificate: Path) -> None:
    tls = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    tls.load_cert_chain(certificate)
    heard: list[bytes] = []

    def talk(connection: socket.socket) -> None:
        with tls.wrap_socket(connection, server_side=True) as secured:
            heard.append(secured.recv(65536))

    with RawServer(talk) as server:
        outlet = WebhookOutlet("hook", f"https://127.0.0.1:{server.port}/", site="", deadline=5.0)
        assert send(outlet, delivery()) == [Failed(UNTRUSTED)]
    assert heard in ([], [b""])


def a_mail_server(*replies: bytes | None) -> Callable[[socket.socket], None]:
    """Says each reply after each line it hears, the first as its banner; ``None``: hangs up instead."""

    def talk(connection: socket.socket) -> None:
        lines = connection.makefile("rb")
        for reply in replies:
            if reply is None:
                connection.shutdown(socket.SHUT_RDWR)
                return
            connection.sendall(reply)
            line = lines.readline()
            if reply.startswith(b"354"):
                while line not in {b".\r\n", b""}:
                    line = lines.readline()
        lines.read()

    return talk


def test_a_mail_server_that_dies_after_the_letter_was_handed_over_gets_it_again_under_its_id(
    mailbox: MailReceiver,
) -> None:
    """Nobody can know whether it has it: a repeat, which mailboxes recognise by its Message-ID."""
    accepts = (
        b"220 mail.test\r\n",
        b"250 mail.test\r\n",
        b"250 ok\r\n",
        b"250 ok\r\n",
        b"354 go on\r\n",
        None,
    )
    with RawServer(a_mail_server(*accepts)) as server:
        assert send(mail(server.port), delivery()) == [Failed("the mail server closed the connection")]
    assert send(mail(mailbox.port), delivery(attempts=2)) == [Delivered()]
    (got,) = mailbox.wait_for(1)
    assert got.message["Message-ID"] == "<n7c1.v1.mail@plant.example>"


@pytest.mark.parametrize(
    "talk",
    [
        dripping(b"220-", b"x", listens=False),
        flooding(b"", b"220-more\r\n" * 1000, listens=False),
        flooding(b"220 ", b"x" * 65536, listens=False),
        a_mail_server(b"220 mail.test\r\n", b""),
    ],
    ids=["a banner that drips", "a banner without end", "a line without end", "no answer to EHLO"],
)
def test_a_mail_server_that_hangs_or_babbles_ends_within_the_deadline(
    talk: Callable[[socket.socket], None],
) -> None:
    with RawServer(talk) as server:
        tracemalloc.start()
        began = time.monotonic()
        (outcome,) = send(mail(server.port, deadline=1.0), delivery())
        took, peak = time.monotonic() - began, tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    assert isinstance(outcome, Failed)
    assert took < 3.0
    assert peak < 8_000_000


@pytest.mark.parametrize(
    "reply", ["500 what", "502 5.5.1 no", "554 5.6.0 content refused", "552 5.3.4 too big"]
)
def test_a_letter_that_is_refused_as_a_whole_is_tried_again_and_nobody_has_it(
    mailbox: MailReceiver, reply: str
) -> None:
    mailbox.data_replies.append(reply)
    (outcome,) = send(mail(mailbox.port, to=[ADA, BEN]), delivery())
    assert outcome == Failed(f"the mail server refused the message ({reply[:3]})")
    assert mailbox.received.all() == []


def test_where_tls_is_demanded_a_server_that_offers_none_hears_no_address(mailbox: MailReceiver) -> None:
    """STARTTLS was stripped from what it offers: nothing is sent in the clear."""
    (outcome,) = send(mail(mailbox.port, scheme="smtp+starttls"), delivery())
    assert outcome == Failed("the mail server offers no STARTTLS, which smtp+starttls:// demands")
    assert mailbox.attempts.all() == []


def test_a_server_that_answers_starttls_in_the_clear_gets_no_letter() -> None:
    replies = (
        b"220 mail.test\r\n",
        b"250-mail.test\r\n250 STARTTLS\r\n",
        b"220 go on\r\n250 in the clear\r\n",
    )
    with RawServer(a_mail_server(*replies)) as server:
        (outcome,) = send(mail(server.port, scheme="smtp+starttls", deadline=1.0), delivery())
    assert isinstance(outcome, Failed)
