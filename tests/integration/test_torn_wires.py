"""The wire that the fault runs tear at does to the bytes what it is told, or the faults would be none."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import ExitStack

import pytest

from tests.support.tcp import Proxy
from tests.support.wait import eventually

HOST = "127.0.0.1"


class Echo:
    """Writes down what comes, then says it back."""

    def __init__(self) -> None:
        self.heard = b""
        self._listener = socket.create_server((HOST, 0))
        self.port = self._listener.getsockname()[1]
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        try:
            while True:
                peer, _ = self._listener.accept()
                threading.Thread(target=self._answer, args=(peer,), daemon=True).start()
        except OSError:
            pass

    def _answer(self, peer: socket.socket) -> None:
        try:
            while data := peer.recv(4096):
                self.heard += data
                peer.sendall(data)
        except OSError:
            pass
        peer.close()

    def close(self) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()


@pytest.fixture
def echo() -> Iterator[Echo]:
    echo = Echo()
    yield echo
    echo.close()


@pytest.fixture
def wire(echo: Echo) -> Iterator[Proxy]:
    with Proxy(echo.port) as wire:
        yield wire


@pytest.fixture
def client(wire: Proxy) -> Iterator[socket.socket]:
    with ExitStack() as stack:
        client = stack.enter_context(socket.create_connection((HOST, wire.port), timeout=10))
        client.sendall(b"hello")
        assert client.recv(100) == b"hello"
        yield client


def test_a_cut_ends_the_connection_and_a_new_one_gets_through(client: socket.socket, wire: Proxy) -> None:
    wire.cut()
    assert client.recv(100) == b""
    with socket.create_connection((HOST, wire.port), timeout=10) as again:
        again.sendall(b"x")
        assert again.recv(100) == b"x"


def test_a_reset_is_an_error_on_the_client_side(client: socket.socket, wire: Proxy) -> None:
    wire.reset()
    with pytest.raises(ConnectionResetError):
        client.recv(100)


def test_dropped_replies_leave_the_deed_done_and_the_client_without_an_answer(
    client: socket.socket, wire: Proxy, echo: Echo
) -> None:
    wire.drop_replies()
    client.sendall(b" deed")
    eventually(lambda: echo.heard == b"hello deed")
    wire.heal()
    assert client.recv(100) == b""  # what was lost can't be mended: the connection ends


def test_a_black_hole_keeps_the_connection_and_loses_the_request(
    client: socket.socket, wire: Proxy, echo: Echo
) -> None:
    wire.black_hole("up")
    client.sendall(b"lost")
    client.settimeout(0.2)
    with pytest.raises(TimeoutError):
        client.recv(100)
    assert echo.heard == b"hello"


def test_slices_arrive_whole_and_in_order(client: socket.socket, wire: Proxy, echo: Echo) -> None:
    wire.slice(3)
    wire.delay(0.2)
    client.sendall(b" in many pieces")
    eventually(lambda: len(echo.heard) > len("hello"))
    assert echo.heard != b"hello in many pieces"
    eventually(lambda: echo.heard == b"hello in many pieces")


def test_who_is_refused_is_cut_off_and_who_is_in_stays(client: socket.socket, wire: Proxy) -> None:
    wire.refuse()
    with socket.create_connection((HOST, wire.port), timeout=10) as late:
        assert late.recv(100) == b""
    client.sendall(b"still here")
    assert client.recv(100) == b"still here"
