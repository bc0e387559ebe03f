"""What a client may not do to the web server: long heads, slow requests, many connections, unread streams."""

from __future__ import annotations

import asyncio
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress

import httpx
import pytest

from service.web import server as web
from service.web.server import PromptProtocol, Server, listen
from service.web.stream import Hub, LiveResponse
from tests.support.floor import Floor, plant
from tests.support.wait import eventually


class Hasty(PromptProtocol):
    request_seconds = 0.5
    answer_seconds = 0.5


@contextmanager
def served(
    *, hasty: bool = False, hub: Hub | None = None, most: int | None = None
) -> Iterator[tuple[int, Floor]]:
    """The real server; ``hasty`` and ``most`` only make its bounds smaller."""
    app, floor = plant(hub)
    server = Server(app, floor.hub)
    assert (server.config.http, server.config.limit_concurrency) == (PromptProtocol, web.MOST_CONNECTIONS)
    if most is not None:
        server.config.limit_concurrency = most
    if hasty:
        server.config.http = Hasty
    listener = listen("127.0.0.1", 0)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    try:
        eventually(lambda: server.started, message="the server did not start")
        yield int(listener.getsockname()[1]), floor
    finally:
        floor.hub.close()
        server.should_exit = True
        thread.join(10)


def connect(port: int) -> socket.socket:
    connection = socket.create_connection(("127.0.0.1", port), 5)
    connection.settimeout(10)
    return connection


def until_closed(connection: socket.socket) -> bytes:
    got = b""
    try:
        while piece := connection.recv(65536):
            got += piece
    except ConnectionResetError:
        pass
    return got


def get(port: int, path: str = "/healthz") -> int:
    return httpx.get(f"http://127.0.0.1:{port}{path}", trust_env=False, timeout=10).status_code


HEAD = b"GET /healthz HTTP/1.1\r\nhost: x\r\n"
POST = b"POST /api/v1/notices/n-L3-P2-T2/take HTTP/1.1\r\nhost: x\r\ncontent-length: 12\r\n\r\n"


@pytest.mark.parametrize(
    "said",
    [b"", b"G", HEAD, HEAD + b"a: b\r\n", POST, POST + b'{"by'],
    ids=["silent", "G", "head", "more", "body", "by"],
)
def test_a_request_that_is_not_there_in_time_costs_its_connection(said: bytes) -> None:
    with served(hasty=True) as (port, _), connect(port) as slow:
        begin = time.monotonic()
        slow.sendall(said)
        assert until_closed(slow) == b""
        assert time.monotonic() - begin < 5
        assert get(port) == 200


def test_a_second_request_on_a_kept_connection_must_hurry_as_well() -> None:
    with served(hasty=True) as (port, _), connect(port) as slow:
        slow.sendall(HEAD + b"\r\n")
        answer = b""
        while not answer.endswith(b'"alive":true}'):
            answer += slow.recv(65536)
        slow.sendall(b"GET /healthz")
        assert until_closed(slow) == b""


def test_a_byte_now_and_then_is_not_in_time() -> None:
    with served(hasty=True) as (port, _), connect(port) as slow:
        over = threading.Event()

        def drip() -> None:
            while not over.wait(0.1):
                try:
                    slow.sendall(b"x")
                except OSError:
                    return

        dripping = threading.Thread(target=drip)
        slow.sendall(HEAD + b"a: ")
        dripping.start()
        begin = time.monotonic()
        assert until_closed(slow) == b""
        assert time.monotonic() - begin < 5
        over.set()
        dripping.join()


def test_a_client_that_reads_no_answer_costs_its_connection() -> None:
    with served(hasty=True) as (port, _), socket.socket() as slow:
        slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        slow.connect(("127.0.0.1", port))
        slow.settimeout(0.2)

        def is_reset() -> bool:
            try:
                slow.sendall(b"GET /static/page.css HTTP/1.1\r\nhost: x\r\n\r\n" * 50)
            except TimeoutError:
                return False
            except OSError:
                return True
            return False

        eventually(is_reset, timeout=20)
        assert get(port) == 200


def test_a_stream_lives_beyond_the_time_of_a_request() -> None:
    with served(hasty=True) as (port, floor), connect(port) as reader:
        reader.sendall(b"GET /api/v1/stream HTTP/1.1\r\nhost: x\r\n\r\n")
        begin = time.monotonic()
        seen = b""
        while time.monotonic() - begin < 1.5 or b"event: forecast" not in seen:
            floor.run()
            seen += reader.recv(65536)
        assert b"event: forecast" in seen


@pytest.mark.parametrize(
    "head",
    [
        HEAD + b"a: " + b"x" * 70_000 + b"\r\n\r\n",
        b"GET /" + b"x" * 70_000 + b" HTTP/1.1\r\nhost: x\r\n\r\n",
        HEAD + b"".join(b"h%d: x\r\n" % n for n in range(9_000)) + b"\r\n",
    ],
    ids=["one long header", "a long path", "many headers"],
)
def test_a_head_that_is_too_long_is_refused(head: bytes) -> None:
    with served() as (port, _), connect(port) as client:
        with suppress(OSError):
            client.sendall(head)
        assert client.recv(65536).startswith((b"HTTP/1.1 431", b"HTTP/1.1 400"))
        assert get(port) == 200


def test_a_body_that_is_too_long_is_refused_before_its_end() -> None:
    with served() as (port, floor), connect(port) as client:
        client.sendall(
            b"POST /api/v1/notices/n-L3-P2-T2/take HTTP/1.1\r\nhost: x\r\ncontent-length: 1000000000\r\n\r\n"
            + b"x" * 70_000
        )
        assert client.recv(65536).startswith(b"HTTP/1.1 413")
        assert floor.notes["n-L3-P2-T2"].state == "open"


@pytest.mark.parametrize("body", [b"[" * 60_000, b'{"by":' * 9_000, b'{"by": 1' + b"0" * 6_000 + b"}"])
def test_a_body_that_is_too_deep_or_too_large_a_number_is_refused(body: bytes) -> None:
    with served() as (port, _):
        answer = httpx.post(
            f"http://127.0.0.1:{port}/api/v1/notices/n-L3-P2-T2/take", content=body, trust_env=False
        )
        assert answer.status_code == 422


def test_a_client_that_leaves_in_the_middle_is_no_defect_of_ours(caplog: pytest.LogCaptureFixture) -> None:
    with served() as (port, floor):
        with connect(port) as client:
            client.sendall(POST + b'{"by')
        eventually(lambda: get(port) == 200)
        with connect(port) as client:
            client.sendall(b"\x16\x03\x01 no request of HTTP\r\n\r\n")
            assert until_closed(client).startswith(b"HTTP/1.1 400")
        assert floor.notes["n-L3-P2-T2"].state == "open"
    assert not [record for record in caplog.records if record.levelname == "ERROR"]


def test_beyond_the_most_connections_a_request_is_told_to_come_back() -> None:
    with served(most=50) as (port, _), ExitStack() as stack:
        for _ in range(50):
            stack.enter_context(connect(port))
        eventually(lambda: get(port) == 503, message="it still takes requests", ignoring=())
        stack.close()
        eventually(lambda: get(port) == 200, message="it takes no requests any more", ignoring=())


def test_as_many_streams_as_allowed_and_no_more_and_others_are_served() -> None:
    with served(hub=Hub(listeners=20)) as (port, floor), ExitStack() as stack:
        for _ in range(20):
            reader = stack.enter_context(connect(port))
            reader.sendall(b"GET /api/v1/stream HTTP/1.1\r\nhost: x\r\n\r\n")
            assert reader.recv(4096).startswith(b"HTTP/1.1 200")
        eventually(lambda: floor.hub.listening == 20)
        answer = httpx.get(f"http://127.0.0.1:{port}/api/v1/stream", trust_env=False)
        assert (answer.status_code, answer.headers["retry-after"]) == (503, "2")
        assert get(port, "/api/v1/lines") == 200


def test_a_reader_who_does_not_read_is_let_go_and_costs_no_memory() -> None:
    """Nothing is queued for a listener; one that takes no piece within its time ends."""

    async def never(_: object) -> None:
        await asyncio.Event().wait()

    async def frames() -> Iterator[bytes]:  # type: ignore[misc]
        yield b": live\n\n"

    async def stream() -> None:
        response = LiveResponse(frames(), patience=0.1)  # type: ignore[arg-type]
        await response.stream_response(never)

    begin = time.monotonic()
    asyncio.run(stream())
    assert time.monotonic() - begin < 5
