"""What stands at the other end of an outlet, for real: an HTTP receiver and a mail server on free ports.

Both run in a thread of their own, write down all they get before they answer, and can be told to answer
badly, late or never. Use them as context managers; ``wait_for`` fails loudly when nothing comes.
"""

from __future__ import annotations

import asyncio
import email
import email.message
import email.policy
import json
import socket
import ssl
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, Generic, Self, TypeVar

from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

HOST = "127.0.0.1"
T = TypeVar("T")


class Book(Generic[T]):
    """What was received, in order; safe from any thread."""

    def __init__(self) -> None:
        self._items: list[T] = []
        self._changed = threading.Condition()

    def add(self, item: T) -> None:
        with self._changed:
            self._items.append(item)
            self._changed.notify_all()

    def all(self) -> list[T]:
        with self._changed:
            return list(self._items)

    def wait_for(self, enough: int | Callable[[Sequence[T]], bool], *, within: float = 10.0) -> list[T]:
        """All that was received, once there are so many or once it is what was hoped for."""
        hoped = (lambda items: len(items) >= enough) if isinstance(enough, int) else enough
        with self._changed:
            if not self._changed.wait_for(lambda: hoped(self._items), timeout=within):
                raise AssertionError(
                    f"not received within {within:g} s; so far {len(self._items)}: {self._items}"
                )
            return list(self._items)


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """One request; header names in lower case, ``at`` is ``time.time()`` of its last byte."""

    path: str
    headers: Mapping[str, str]
    body: bytes
    at: float
    answered: int | None
    """The status that is given; ``None`` when the connection is dropped or left silent."""

    @property
    def json(self) -> Any:
        return json.loads(self.body)


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What the receiver does with a request it has written down."""

    status: int = 200
    headers: Mapping[str, str] = field(default_factory=dict)
    body: bytes = b""
    delay: float = 0.0
    """Seconds before the status line."""
    drip: float | None = None
    """Seconds between two bytes of the body."""
    endless: bool = False
    """A body that never ends."""
    silent: bool = False
    """No answer at all until the receiver is stopped."""
    drop: bool = False
    """The connection is closed without an answer."""


OK = Answer()


class HttpReceiver:
    """Answers the requests of ``answers`` in turn, then ``then`` for ever."""

    def __init__(self, *answers: Answer, then: Answer = OK, port: int = 0) -> None:
        self.received: Book[Request] = Book()
        self._answers = deque(answers)
        self._then = then
        self._rule: Callable[[Any], Answer] | None = None
        self._lock = threading.Lock()
        self._over = threading.Event()
        self._server = _HttpServer((HOST, port), _handler(self))
        self.port = self._server.server_address[1]
        self._thread = threading.Thread(
            target=self._server.serve_forever, args=(0.02,), name="http-receiver", daemon=True
        )

    @property
    def url(self) -> str:
        return f"http://{HOST}:{self.port}/hook"

    def answer(self, *answers: Answer, then: Answer = OK) -> None:
        """From now on."""
        with self._lock:
            self._answers, self._then = deque(answers), then

    def answer_each(self, rule: Callable[[Any], Answer] | None) -> None:
        """From now on by what a request says (its JSON); ``None``: no longer."""
        with self._lock:
            self._rule = rule

    def wait_for(
        self, enough: int | Callable[[Sequence[Request]], bool], *, within: float = 10.0
    ) -> list[Request]:
        return self.received.wait_for(enough, within=within)

    def start(self) -> Self:
        self._thread.start()
        return self

    def stop(self) -> None:
        self._over.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()

    def _answer_to(self, body: bytes) -> Answer:
        with self._lock:
            rule = self._rule
        return self._next() if rule is None else rule(json.loads(body))

    def _next(self) -> Answer:
        with self._lock:
            return self._answers.popleft() if self._answers else self._then

    def _wait(self, seconds: float | None) -> bool:
        """Sleep, but not beyond the receiver's end; whether that has come."""
        return self._over.wait(seconds)


class _HttpServer(ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False
    request_queue_size = 128

    def __init__(self, address: tuple[str, int], handler: type[BaseHTTPRequestHandler]) -> None:
        super().__init__(address, handler)
        self._connections: list[socket.socket] = []

    def get_request(self) -> tuple[socket.socket, Any]:
        connection, peer = super().get_request()
        self._connections.append(connection)
        return connection, peer

    def server_close(self) -> None:
        """A stopped receiver answers on no connection that was kept alive either."""
        super().server_close()
        for connection in self._connections:
            with suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)

    def handle_error(self, request: object, client_address: object) -> None:
        """A sender that went away in the middle is part of the test, not of its output."""


def _whole(request: BaseHTTPRequestHandler) -> bytes:
    """Its body; one whose sender was killed in the middle wasn't received."""
    length = int(request.headers.get("content-length", 0))
    body = request.rfile.read(length)
    if len(body) < length:
        raise ConnectionResetError
    return body


def _handler(receiver: HttpReceiver) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"
        disable_nagle_algorithm = True

        def do_POST(self) -> None:
            body = _whole(self)
            headers = {name.lower(): value for name, value in self.headers.items()}
            answer = receiver._answer_to(body)
            status = None if answer.silent or answer.drop else answer.status
            receiver.received.add(
                Request(path=self.path, headers=headers, body=body, at=time.time(), answered=status)
            )
            if answer.silent:
                receiver._wait(None)
            if answer.silent or answer.drop or receiver._wait(answer.delay):
                self.close_connection = True
                return
            self._answer(answer)

        do_GET = do_POST  # noqa: N815

        def _answer(self, answer: Answer) -> None:
            self.send_response(answer.status)
            for name, value in answer.headers.items():
                self.send_header(name, value)
            if answer.endless:
                self.close_connection = True
            else:
                self.send_header("content-length", str(len(answer.body)))
            self.end_headers()
            for piece in _pieces(answer):
                self.wfile.write(piece)
                if answer.drip is not None and receiver._wait(answer.drip):
                    return

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002
            """Nothing: the requests are in the book."""

    return Handler


def _pieces(answer: Answer) -> Iterable[bytes]:
    if answer.endless:
        return iter(lambda: b"x" * 65536, b"")
    if answer.drip is not None:
        return (bytes([byte]) for byte in answer.body)
    return [answer.body]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mail:
    """One accepted letter with its envelope."""

    sender: str
    recipients: tuple[str, ...]
    content: bytes
    encrypted: bool
    login: str | None
    at: float

    @property
    def message(self) -> email.message.EmailMessage:
        parsed = email.message_from_bytes(self.content, policy=email.policy.default)
        assert isinstance(parsed, email.message.EmailMessage)
        return parsed

    def text(self, kind: str = "plain") -> str:
        part = self.message.get_body((kind,))
        assert part is not None
        return str(part.get_content())


class MailReceiver:
    """A mail server. ``refusals`` maps a recipient to the replies it gets in turn; ``data_replies`` are the
    replies to whole letters, in turn. What isn't told otherwise is accepted."""

    def __init__(
        self,
        *,
        port: int = 0,
        tls: ssl.SSLContext | None = None,
        login: tuple[str, str] | None = None,
        implicit_tls: bool = False,
    ) -> None:
        self.received: Book[Mail] = Book()
        self.attempts: Book[tuple[str, ...]] = Book()
        """The accepted recipients of every letter, accepted or not."""
        self.refusals: dict[str, deque[str]] = {}
        self.data_replies: deque[str] = deque()
        self._tls, self._implicit, self._login = tls, implicit_tls, login
        self._port = port
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run, name="mail-receiver", daemon=True)
        self._server: asyncio.Server | None = None

    @property
    def port(self) -> int:
        assert self._server is not None, "not started"
        return int(self._server.sockets[0].getsockname()[1])

    def refuse(self, recipient: str, *replies: str) -> None:
        self.refusals[recipient] = deque(replies)

    def wait_for(self, enough: int | Callable[[Sequence[Mail]], bool], *, within: float = 10.0) -> list[Mail]:
        return self.received.wait_for(enough, within=within)

    def start(self) -> Self:
        self._server = self._loop.run_until_complete(
            self._loop.create_server(
                self._protocol, HOST, self._port, ssl=self._tls if self._implicit else None
            )
        )
        self._thread.start()
        return self

    def stop(self) -> None:
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join()
        self._loop.run_until_complete(self._end())
        self._loop.close()

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._loop.run_forever()

    async def _end(self) -> None:
        assert self._server is not None
        self._server.close()
        tasks = asyncio.all_tasks() - {asyncio.current_task()}
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)

    def _protocol(self) -> SMTP:
        return SMTP(
            _MailHandler(self),
            hostname="mail.test",
            loop=self._loop,
            tls_context=None if self._implicit else self._tls,
            auth_require_tls=False,
            authenticator=None if self._login is None else self._authenticate,
        )

    def _authenticate(
        self, server: object, session: object, envelope: object, mechanism: str, data: object
    ) -> AuthResult:
        assert isinstance(data, LoginPassword)
        given = (data.login.decode(), data.password.decode())
        return AuthResult(success=given == self._login, handled=False, auth_data=data)


class _MailHandler:
    def __init__(self, receiver: MailReceiver) -> None:
        self._receiver = receiver

    async def handle_RCPT(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        replies = self._receiver.refusals.get(address)
        if replies:
            return replies.popleft()
        envelope.rcpt_tos.append(address)
        return "250 2.1.5 OK"

    async def handle_DATA(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        recipients = tuple(envelope.rcpt_tos)
        self._receiver.attempts.add(recipients)
        if self._receiver.data_replies:
            return self._receiver.data_replies.popleft()
        data: Any = session.auth_data
        login = data.login.decode() if isinstance(data, LoginPassword) else None
        content = envelope.content
        assert isinstance(content, bytes)
        self._receiver.received.add(
            Mail(
                sender=envelope.mail_from or "",
                recipients=recipients,
                content=content,
                encrypted=_is_encrypted(server),
                login=login,
                at=time.time(),
            )
        )
        return "250 2.0.0 accepted"


def _is_encrypted(server: SMTP) -> bool:
    return server.transport is not None and server.transport.get_extra_info("ssl_object") is not None


class SilentServer:
    """Takes connections and says nothing, whatever the protocol."""

    def __init__(self) -> None:
        self._socket = socket.create_server((HOST, 0))
        self.port = int(self._socket.getsockname()[1])
        self._open: list[socket.socket] = []
        self._thread = threading.Thread(target=self._accept, name="silent-server", daemon=True)

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                self._open.append(self._socket.accept()[0])

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        self._thread.join()
        for one in self._open:
            one.close()
