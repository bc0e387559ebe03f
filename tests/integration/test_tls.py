"""TLS wherever it goes: whom we trust, whom we refuse and why, and certificates renewed meanwhile."""

from __future__ import annotations

import asyncio
import socket
import ssl
import threading
import time
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import httpx
import pytest
from fastapi import FastAPI

from service.domain.model import from_datetime
from service.mqtt.client import Broker, Connection
from service.outlets import OutletError, build_outlet
from service.outlets.chat import ChatOutlet
from service.outlets.email import EmailOutlet
from service.outlets.network import Way
from service.outlets.webhook import WebhookOutlet
from service.ports import Delivered, Failed, Outlet
from service.tls import TlsFileError, client_context, server_context
from service.web.server import Certificate, Server, listen
from service.web.stream import Hub
from tests.support.certificates import Authority, Pair
from tests.support.floor import plant
from tests.support.mosquitto import Mosquitto, StartBroker
from tests.support.notices import delivery
from tests.support.receivers import HttpReceiver, MailReceiver
from tests.support.wait import eventually

EXPIRED = "its TLS certificate has expired"
OTHER_HOST = "its TLS certificate is for another address"
OTHER_NAME = "its TLS certificate is for another host name"
STRANGER = "its TLS certificate isn't trusted: we don't know the authority that signed it"


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    return Authority(tmp_path)


@pytest.fixture
def stranger(tmp_path: Path) -> Authority:
    return Authority(tmp_path, "stranger")


# --- HTTP and mail, outwards


@contextmanager
def secured(pair: Pair) -> Iterator[HttpReceiver]:
    """A receiver behind TLS."""
    receiver = HttpReceiver()
    receiver._server.socket = pair.server().wrap_socket(
        receiver._server.socket, server_side=True, do_handshake_on_connect=False
    )
    with receiver:
        yield receiver


def tell(outlet: Outlet) -> Delivered | Failed:
    async def once() -> Delivered | Failed:
        try:
            return await outlet.send(delivery(), now=from_datetime(datetime.now(UTC)))
        finally:
            await outlet.close()

    return asyncio.run(once())


def http_outlets(port: int, way: Way, host: str = "127.0.0.1") -> list[Outlet]:
    url = f"https://{host}:{port}/hook"
    return [
        WebhookOutlet("hook", url, site="", deadline=5.0, way=way),
        ChatOutlet("chat", url, site="", public_url="", zone=ZoneInfo("UTC"), deadline=5.0, way=way),
    ]


def mail_outlet(port: int, scheme: str, way: Way, host: str = "127.0.0.1") -> EmailOutlet:
    return EmailOutlet(
        "mail",
        f"{scheme}://{host}:{port}",
        to=["a@b.example"],
        from_="c@d.example",
        public_url="",
        zone=ZoneInfo("UTC"),
        deadline=5.0,
        way=way,
    )


def test_webhook_and_chat_go_to_a_receiver_of_the_plants_own_authority(authority: Authority) -> None:
    with secured(authority.sign()) as receiver:
        for outlet in http_outlets(receiver.port, Way(ca_file=authority.ca_file)):
            assert tell(outlet) == Delivered()
        assert len(receiver.wait_for(2)) == 2


@pytest.mark.parametrize(
    ("sign", "why"),
    [
        (lambda plant, _: plant.sign(days=-1), EXPIRED),
        (lambda plant, _: plant.sign("127.0.0.2"), OTHER_HOST),
        (lambda _, other: other.sign(), STRANGER),
    ],
    ids=["expired", "another host", "another authority"],
)
def test_a_wrong_certificate_is_refused_with_its_reason_and_hears_nothing(
    authority: Authority, stranger: Authority, sign: Callable[[Authority, Authority], Pair], why: str
) -> None:
    pair, way = sign(authority, stranger), Way(ca_file=authority.ca_file)
    with secured(pair) as receiver:
        for outlet in http_outlets(receiver.port, way):
            assert tell(outlet) == Failed(why)
        assert receiver.received.all() == []
    for scheme in ("smtps", "smtp+starttls"):
        with MailReceiver(tls=pair.server(), implicit_tls=scheme == "smtps") as box:
            assert tell(mail_outlet(box.port, scheme, way)) == Failed(f"mail server: {why}")
            assert box.received.all() == []


def test_a_name_that_the_certificate_does_not_have_is_refused_though_its_address_has_one(
    authority: Authority,
) -> None:
    pair = authority.sign("127.0.0.1")
    with secured(pair) as receiver:
        for outlet in http_outlets(receiver.port, Way(ca_file=authority.ca_file), host="localhost"):
            assert tell(outlet) == Failed(OTHER_NAME)
    with MailReceiver(tls=pair.server(), implicit_tls=True) as box:
        outlet = mail_outlet(box.port, "smtps", Way(ca_file=authority.ca_file), host="localhost")
        assert tell(outlet) == Failed(f"mail server: {OTHER_NAME}")


@pytest.mark.parametrize("scheme", ["smtps", "smtp+starttls"])
def test_mail_goes_encrypted_to_a_server_of_the_plants_own_authority(
    authority: Authority, scheme: str
) -> None:
    pair = authority.sign("localhost")
    with MailReceiver(tls=pair.server(), implicit_tls=scheme == "smtps") as box:
        way = Way(ca_file=authority.ca_file)
        assert tell(mail_outlet(box.port, scheme, way, host="localhost")) == Delivered()
        assert box.wait_for(1)[0].encrypted


def test_nothing_older_than_tls_1_2_is_spoken(authority: Authority) -> None:
    pair = authority.sign()
    for context in (client_context(), client_context(authority.ca_file), server_context(pair.cert, pair.key)):
        assert context.minimum_version == ssl.TLSVersion.TLSv1_2
    old = pair.server()
    old.set_ciphers("ALL:@SECLEVEL=0")
    with warnings.catch_warnings(action="ignore"):  # that it is old is the point
        old.minimum_version = ssl.TLSVersion.TLSv1
        old.maximum_version = ssl.TLSVersion.TLSv1_1
    with socket.create_server(("127.0.0.1", 0)) as server:
        answering = threading.Thread(target=_shake, args=(server, old), daemon=True)
        answering.start()
        (outlet, _) = http_outlets(server.getsockname()[1], Way(ca_file=authority.ca_file))
        assert tell(outlet) == Failed("no TLS connection")
        answering.join(5)


def _shake(server: socket.socket, context: ssl.SSLContext) -> None:
    connection, _ = server.accept()
    with suppress(OSError), context.wrap_socket(connection, server_side=True):
        pass


# --- files


def test_files_that_can_not_be_used_are_named_with_the_reason(authority: Authority, tmp_path: Path) -> None:
    one, two = authority.sign(), authority.sign()
    garbage = tmp_path / "garbage.pem"
    garbage.write_text("-----BEGIN CERTIFICATE-----\nk3y\n")
    cases: list[tuple[Callable[[], object], str]] = [
        (lambda: server_context(one.cert, two.key), "certificate and key don't belong together"),
        (lambda: server_context(str(garbage), one.key), "holds nothing that TLS can use"),
        (lambda: server_context(one.cert, "/nowhere/key.pem"), "can't be read (No such file or directory)"),
        (lambda: client_context("/nowhere/ca.pem"), "can't be read (No such file or directory)"),
        (lambda: client_context(str(garbage)), "holds nothing that TLS can use"),
        (lambda: client_context(one.key), "holds nothing that TLS can use"),
        (lambda: client_context(None, one.cert, two.key), "certificate and key don't belong together"),
    ]
    for make, why in cases:
        with pytest.raises(TlsFileError) as refused:
            make()
        assert why in str(refused.value)
        assert "k3y" not in str(refused.value)
    with pytest.raises(OutletError, match=r"^outlet 'hook': .*garbage.pem: holds nothing"):
        build_outlet(name="hook", type="webhook", url="https://h.example", ca_file=str(garbage))


# --- the web server


@contextmanager
def served(app: FastAPI, hub: Hub, certificate: Certificate) -> Iterator[int]:
    listener = listen("127.0.0.1", 0)
    server = Server(app, hub, certificate=certificate)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    try:
        eventually(lambda: server.started, message="the server did not start")
        yield int(listener.getsockname()[1])
    finally:
        hub.close()
        server.should_exit = True
        thread.join(10)


def shown(port: int, ca_file: str) -> bytes:
    """The certificate that a new connection is shown."""
    context = client_context(ca_file)
    with (
        socket.create_connection(("127.0.0.1", port), 5) as plain,
        context.wrap_socket(plain, server_hostname="127.0.0.1") as spoken,
    ):
        return spoken.getpeercert(binary_form=True) or b""


def test_page_and_api_are_served_over_https_and_say_so(authority: Authority) -> None:
    pair = authority.sign()
    app, floor = plant()
    with served(app, floor.hub, Certificate(pair.cert, pair.key)) as port:
        with httpx.Client(verify=client_context(authority.ca_file), trust_env=False) as client:
            for path in ("/", "/api/v1/lines", "/static/main.js", "/healthz", "/nowhere"):
                answer = client.get(f"https://127.0.0.1:{port}{path}")
                assert answer.headers["strict-transport-security"] == "max-age=31536000"
            with client.stream("GET", f"https://127.0.0.1:{port}/api/v1/stream") as stream:
                assert next(stream.iter_text()).startswith(": live")
        with pytest.raises(httpx.TransportError):
            httpx.get(f"http://127.0.0.1:{port}/", trust_env=False)


def test_a_renewed_certificate_is_shown_without_a_restart(authority: Authority) -> None:
    pair = authority.sign()
    app, floor = plant()
    with served(app, floor.hub, Certificate(pair.cert, pair.key)) as port:
        before = shown(port, authority.ca_file)
        authority.replace(pair)
        eventually(
            lambda: shown(port, authority.ca_file) != before, timeout=15, message="the old one is shown"
        )


def test_a_certificate_that_is_half_written_does_not_take_the_old_one_down(authority: Authority) -> None:
    pair, other = authority.sign(), authority.sign()
    certificate = Certificate(pair.cert, pair.key)
    good = Path(pair.key).read_bytes()
    Path(pair.key).write_bytes(Path(other.key).read_bytes())
    with pytest.raises(TlsFileError, match="don't belong together"):
        certificate.look()
    assert not certificate.look()
    app, floor = plant()
    with served(app, floor.hub, certificate) as port:
        assert shown(port, authority.ca_file)
    Path(pair.key).write_bytes(good)
    assert certificate.look()


# --- the broker


def connection(url_host: str, port: int, tls: Callable[[], ssl.SSLContext]) -> Connection:
    return Connection(
        Broker(host=url_host, port=port, client_id="tls", username=None, password=None, protocol=5, tls=tls),
        topics=["floor/#"],
        receive=lambda *_: None,
        has_room=lambda: True,
        log=lambda *_, **__: None,
    )


@contextmanager
def running(one: Connection) -> Iterator[Connection]:
    thread = threading.Thread(target=one.run, daemon=True)
    thread.start()
    try:
        yield one
    finally:
        one.stop()
        thread.join(10)


def tls_broker(start_broker: StartBroker, authority: Authority, pair: Pair, **more: Any) -> Mosquitto:
    options = {"certfile": pair.cert, "keyfile": pair.key, "cafile": authority.ca_file}
    return start_broker(**options | more)


def test_the_broker_is_reached_with_the_plants_own_authority_and_a_client_certificate(
    start_broker: StartBroker, authority: Authority
) -> None:
    broker = tls_broker(start_broker, authority, authority.sign(), require_certificate="true")
    ours = authority.sign("earlybell")
    with running(
        connection("127.0.0.1", broker.port, lambda: client_context(authority.ca_file, ours.cert, ours.key))
    ) as one:
        eventually(lambda: one.ready, message=lambda: f"not connected: {one.trouble}")
    with running(connection("127.0.0.1", broker.port, lambda: client_context(authority.ca_file))) as one:
        eventually(lambda: (one.trouble and "lost" in one.trouble) or "reach" in (one.trouble or ""))
        assert not one.ready


@pytest.mark.parametrize(
    ("sign", "host", "why"),
    [
        (lambda plant, _: plant.sign(days=-1), "127.0.0.1", EXPIRED),
        (lambda plant, _: plant.sign("127.0.0.1"), "localhost", OTHER_NAME),
        (lambda _, other: other.sign(), "127.0.0.1", STRANGER),
    ],
    ids=["expired", "another host", "another authority"],
)
def test_a_broker_with_a_wrong_certificate_is_refused_with_its_reason(
    start_broker: StartBroker,
    authority: Authority,
    stranger: Authority,
    sign: Callable[[Authority, Authority], Pair],
    host: str,
    why: str,
) -> None:
    broker = tls_broker(start_broker, authority, sign(authority, stranger))
    with running(connection(host, broker.port, lambda: client_context(authority.ca_file))) as one:
        eventually(lambda: one.trouble == f"can't reach the broker: {why}", message=lambda: f"{one.trouble}")
        assert not one.ready


def test_a_renewed_authority_counts_from_the_next_connection_on(
    start_broker: StartBroker, authority: Authority, stranger: Authority, tmp_path: Path
) -> None:
    broker = tls_broker(start_broker, authority, authority.sign())
    trusted = tmp_path / "trusted.pem"
    trusted.write_bytes(Path(stranger.ca_file).read_bytes())
    with running(connection("127.0.0.1", broker.port, lambda: client_context(str(trusted)))) as one:
        eventually(lambda: STRANGER in (one.trouble or ""))
        trusted.write_text("half written")
        eventually(lambda: "holds nothing that TLS can use" in (one.trouble or ""))
        trusted.write_bytes(Path(authority.ca_file).read_bytes())
        eventually(lambda: one.ready, message=lambda: f"not connected: {one.trouble}")


def test_a_broker_without_tls_is_not_spoken_to_where_tls_is_meant(
    start_broker: StartBroker, authority: Authority
) -> None:
    broker = start_broker()
    begin = time.monotonic()
    with running(connection("127.0.0.1", broker.port, lambda: client_context(authority.ca_file))) as one:
        eventually(lambda: (one.trouble or "").startswith("can't reach the broker"), timeout=15)
        assert not one.ready
    assert time.monotonic() - begin < 20
