"""The web server around the application: its socket, bound before anything else starts, its certificate, what
it bears from a client, and its end."""

from __future__ import annotations

import asyncio
import socket
from pathlib import Path
from types import FrameType

import h11
import structlog
import uvicorn
from fastapi import FastAPI
from uvicorn.protocols.http.h11_impl import H11Protocol

from service.tls import TlsFileError, renew, server_context
from service.web.guard import LARGEST_HEAD
from service.web.stream import Hub

GRACE_SECONDS = 2
REQUEST_SECONDS = 20.0
"""For a request to be there with its last byte, and for a connection to ask for anything at all."""
ANSWER_SECONDS = 20.0
"""For a client to take what lies ready for it, a live page's patience as well."""
MOST_CONNECTIONS = 600
"""Beyond these a request is answered 503; 200 may be streams. A process usually may open 1024 files."""
LOOK_EVERY = 50
"""Ticks (of a tenth of a second) between two looks at the certificate's files."""

log = structlog.get_logger()


class AddressTakenError(Exception):
    """The web address can't be listened on; the text says which and why."""


class Certificate:
    """The chain that the server shows. Raises ``TlsFileError``."""

    def __init__(self, cert_file: str, key_file: str | None) -> None:
        self._files = cert_file, key_file
        self._seen = self._stamps()
        self.context = server_context(cert_file, key_file)

    def look(self) -> bool:
        """Show what the files hold now when they changed since the last look. A pair that doesn't fit (one is
        still being written) raises ``TlsFileError`` and what was shown goes on."""
        stamps = self._stamps()
        if stamps == self._seen:
            return False
        self._seen = stamps
        renew(self.context, *self._files)
        return True

    def _stamps(self) -> list[tuple[int, ...] | None]:
        return [_stamp(name) for name in self._files if name is not None]


class Server(uvicorn.Server):
    """Ends the open streams as soon as it is asked to stop; they would hold it up otherwise."""

    def __init__(self, app: FastAPI, hub: Hub, *, certificate: Certificate | None = None) -> None:
        config = uvicorn.Config(
            app,
            http=PromptProtocol,
            ws="none",
            log_config=None,
            access_log=False,
            lifespan="off",
            timeout_graceful_shutdown=GRACE_SECONDS,
            server_header=False,
            h11_max_incomplete_event_size=LARGEST_HEAD,
            limit_concurrency=MOST_CONNECTIONS,
            ssl_context_factory=None if certificate is None else lambda *_: certificate.context,
        )
        super().__init__(config)
        self._hub = hub
        self._certificate = certificate

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        self._hub.close()
        super().handle_exit(sig, frame)

    async def on_tick(self, counter: int) -> bool:
        if self._certificate is not None and counter % LOOK_EVERY == 0:
            try:
                if self._certificate.look():
                    log.info("certificate_renewed")
            except TlsFileError as error:
                log.warning("certificate_not_renewed", reason=str(error))
        return await super().on_tick(counter)


class PromptProtocol(H11Protocol):
    """Closes a connection whose request isn't complete in time, or whose answer isn't read in time: a few
    bytes a minute would otherwise keep a place for ever."""

    request_seconds = REQUEST_SECONDS
    answer_seconds = ANSWER_SECONDS
    _late: asyncio.TimerHandle | None = None
    _unread: asyncio.TimerHandle | None = None

    def pause_writing(self) -> None:
        super().pause_writing()
        if self._unread is None:
            self._unread = self.loop.call_later(self.answer_seconds, self.transport.abort)

    def resume_writing(self) -> None:
        self._is_read()
        super().resume_writing()

    def _is_read(self) -> None:
        if self._unread is not None:
            self._unread.cancel()
            self._unread = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._late = self.loop.call_later(self.request_seconds, self._give_up)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        if self.conn.their_state not in (h11.IDLE, h11.SEND_BODY):
            self._in_time()
        elif self._late is None:
            self._late = self.loop.call_later(self.request_seconds, self._give_up)

    def connection_lost(self, exc: Exception | None) -> None:
        self._in_time()
        self._is_read()
        super().connection_lost(exc)

    def _in_time(self) -> None:
        if self._late is not None:
            self._late.cancel()
            self._late = None

    def _give_up(self) -> None:
        self._late = None
        self.transport.abort()


def listen(host: str, port: int) -> socket.socket:
    """The bound socket. Raises ``AddressTakenError``: a clear answer instead of a half-started service."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # asyncio holds nothing back of what it knows to be TCP; else an answer's second part waits 40 ms.
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
    except OSError as error:
        listener.close()
        raise AddressTakenError(
            f"web: can't listen on {host}:{port} ({error.strerror}); set web.port to a free one"
        ) from None
    return listener


def _stamp(name: str) -> tuple[int, ...] | None:
    try:
        found = Path(name).stat()
    except OSError:
        return None
    return found.st_mtime_ns, found.st_size, found.st_ino
