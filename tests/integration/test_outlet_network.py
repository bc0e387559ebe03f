"""An outlet gets to its own host and port, by addresses that were judged, and nowhere else."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from itertools import chain, repeat
from typing import Any
from zoneinfo import ZoneInfo

import httpcore
import pytest

from service.domain.model import from_datetime
from service.outlets.chat import ChatOutlet
from service.outlets.email import EmailOutlet
from service.outlets.network import CheckedNetwork, Destination, Forbidden, Way
from service.outlets.post import Post
from service.outlets.webhook import WebhookOutlet
from service.ports import Delivered, Delivery, Failed, Outlet
from tests.support.notices import delivery
from tests.support.receivers import Answer, HttpReceiver, MailReceiver

BERLIN = ZoneInfo("Europe/Berlin")
NAME = "chat.plant.example"
LOCAL = "127.0.0.1"
PEOPLE: dict[str, Any] = {"to": ["a@b.example"], "from_": "c@d.example"}


class Names:
    """A resolver that gives these answers in turn, the last for ever, and counts how often it was asked."""

    def __init__(self, *answers: Sequence[str]) -> None:
        self._answers: Iterator[Sequence[str]] = chain(answers, repeat(answers[-1]))
        self.asked: list[tuple[str, int]] = []

    async def __call__(self, host: str, port: int) -> Sequence[str]:
        self.asked.append((host, port))
        return next(self._answers)


def send(outlet: Outlet, *deliveries: Delivery) -> list[Delivered | Failed]:
    now = from_datetime(datetime.now(UTC))

    async def all_of_them() -> list[Delivered | Failed]:
        try:
            return [await outlet.send(one, now=now) for one in deliveries]
        finally:
            await outlet.close()

    return asyncio.run(all_of_them())


def outlets(port: int, resolve: Names, host: str = NAME, **more: Any) -> list[Outlet]:
    """One of each kind, all to the same name and port."""
    way = Way(resolve=resolve, **more)
    url = f"http://{host}:{port}/hook"
    common: dict[str, Any] = {"public_url": "", "zone": BERLIN, "way": way}
    return [
        WebhookOutlet("hook", url, site="", deadline=5.0, way=way),
        ChatOutlet("chat", url, site="", deadline=5.0, **common),
        EmailOutlet(
            "mail", f"smtp://{host}:{port}", to=["a@b.example"], from_="c@d.example", deadline=5.0, **common
        ),
    ]


@pytest.mark.parametrize(
    ("answers", "why"),
    [
        ([LOCAL], "a loopback address"),
        (["::1"], "a loopback address"),
        (["10.0.0.1", LOCAL], "a loopback address"),
        ([LOCAL, "10.0.0.1"], "a loopback address"),
        (["169.254.169.254"], "a metadata address"),
        (["fe80::1"], "a link-local address"),
        (["100.64.1.1"], "a carrier's shared address"),
        (["::ffff:127.0.0.1"], "an IPv4 address in IPv6 form"),
        (["0.0.0.0"], "an unspecified address"),
        (["224.0.0.1"], "a multicast address"),
    ],
)
def test_a_name_that_leads_to_a_wrong_address_is_not_connected_to(answers: list[str], why: str) -> None:
    with HttpReceiver() as receiver:
        for outlet in outlets(receiver.port, Names(answers)):
            (outcome,) = send(outlet, delivery())
            assert isinstance(outcome, Failed)
            assert outcome.reason.removeprefix("mail server: ") == f"its name leads to {why}"
            assert not outcome.final
        assert receiver.received.all() == []


def test_a_name_is_looked_up_once_for_a_connection_so_that_no_second_answer_counts() -> None:
    """Rebinding: the first answer is harmless, the next is not."""
    with HttpReceiver() as receiver:
        names = Names(["100.64.0.1"], [LOCAL])
        destination = Destination(NAME, receiver.port, Way(resolve=names, allow=["100.64.0.0/24"]))
        assert asyncio.run(destination.addresses()) == ["100.64.0.1"]
        assert names.asked == [(NAME, receiver.port)]
        with pytest.raises(Forbidden, match="loopback"):
            asyncio.run(destination.addresses())


def test_each_new_connection_is_judged_anew() -> None:
    with HttpReceiver(then=Answer(headers={"connection": "close"})) as receiver:
        names = Names([LOCAL], ["169.254.169.254"])
        outlet = WebhookOutlet(
            "hook", f"http://localhost:{receiver.port}/", site="", deadline=5.0, way=Way(resolve=names)
        )
        first, second = send(outlet, delivery(), delivery(key="n:2:hook"))
        assert first == Delivered()
        assert second == Failed("its name leads to a metadata address")
        assert len(names.asked) == 2


def test_the_receiver_is_asked_by_its_name_though_connected_to_by_its_address() -> None:
    with HttpReceiver() as receiver:
        names = Names([LOCAL])
        assert send(outlets(receiver.port, names, host="localhost")[0], delivery()) == [Delivered()]
        (got,) = receiver.wait_for(1)
        assert got.headers["host"] == f"localhost:{receiver.port}"
        assert names.asked == [("localhost", receiver.port)]


def test_an_address_that_does_not_answer_gives_way_to_the_next() -> None:
    with HttpReceiver() as receiver, MailReceiver() as box:
        names = Names(["::1", LOCAL])  # the receivers listen on 127.0.0.1 only
        hook, chat, _ = outlets(receiver.port, names, host="localhost")
        mail = outlets(box.port, names, host="localhost")[2]
        assert [send(each, delivery()) for each in (hook, chat, mail)] == [[Delivered()]] * 3


def test_an_address_as_written_is_not_looked_up() -> None:
    with HttpReceiver() as receiver:
        names = Names(["9.9.9.9"])
        assert send(outlets(receiver.port, names, host=LOCAL)[0], delivery()) == [Delivered()]
        assert names.asked == []


def test_a_name_without_any_address_is_not_known() -> None:
    for outlet in outlets(9, Names([])):
        (outcome,) = send(outlet, delivery())
        assert isinstance(outcome, Failed)
        assert outcome.reason.endswith("its name isn't known")


def test_another_host_or_port_is_not_connected_to_whoever_asks() -> None:
    network = CheckedNetwork(Destination(LOCAL, 9, Way()))
    for host, port in ((LOCAL, 10), ("localhost", 9), ("169.254.169.254", 9)):
        with pytest.raises(httpcore.ConnectError) as refused:
            asyncio.run(network.connect_tcp(host, port))
        assert isinstance(refused.value.__cause__, Forbidden)


@pytest.mark.parametrize(
    "url",
    [
        "http://127.1/",
        "http://0x7f000001/",
        "http://2130706433/",
        "http://0177.0.0.1/",
        "http://[::ffff:127.0.0.1]/",
        "http://0.0.0.0/",
        "http://[::]/",
        "http://127.0.0.1./",
        "http://good.example@127.0.0.1/",
        "http://a:b@good.example@127.0.0.1/",
        "http://good.example\\@127.0.0.1/",
        "http://127.0.0.1\\.good.example/",
        "http://good.example%2f@127.0.0.1/",
        "http://①②⑦.0.0.1/",
        "http://127。0。0。1/",
        "http://127.0.0.1%00.good.example/",
        "http://[fe80::1%25eth0]/",
    ],
)
def test_a_url_that_can_be_misread_is_refused_before_anything_is_sent(url: str) -> None:
    with pytest.raises(ValueError, match=r"^url"):
        Post(url)


@pytest.mark.parametrize("host", ["127.1", "0x7f000001", "[::ffff:127.0.0.1]", "0.0.0.0"])
def test_a_mail_servers_address_in_an_odd_form_is_refused(host: str) -> None:
    with pytest.raises(ValueError, match=r"^smtp_url"):
        EmailOutlet(
            "m", f"smtp://{host}", to=["a@b.example"], from_="c@d.example", public_url="", zone=BERLIN
        )


def test_a_connection_that_is_given_up_leaves_no_socket_open() -> None:
    with socket.create_server((LOCAL, 0)) as closed:
        port = closed.getsockname()[1]
    with pytest.raises(ConnectionRefusedError):
        asyncio.run(Destination(LOCAL, port, Way()).connect())
