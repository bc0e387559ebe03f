"""A paho client whose socket reads and writes in large pieces.

paho reads a message in four system calls and writes each acknowledgement in one; at ten thousand messages
a second those are most of the cost. This client hands paho a socket that holds what one read brought and
what one turn of the loop wrote. Whoever owns the loop calls ``flush`` after each turn and doesn't wait
while ``held`` says there is more."""

from __future__ import annotations

import ssl
from contextlib import suppress
from typing import Any

import paho.mqtt.client as paho
from paho.mqtt.enums import MessageType

READ = 256 * 1024


class BufferedSocket:
    """What paho asks of a socket, over a non-blocking one. Gives nothing once ``left`` messages are taken."""

    def __init__(self, sock: Any) -> None:
        self.left = 1
        self._sock = sock
        self._in = b""
        self._at = 0
        self._out = bytearray()

    @property
    def held(self) -> bool:
        """Bytes were read that paho hasn't taken yet."""
        return self._at < len(self._in) or (
            isinstance(self._sock, ssl.SSLSocket) and self._sock.pending() > 0
        )

    @property
    def unsent(self) -> bool:
        return bool(self._out)

    def recv(self, size: int) -> bytes:
        if self.left <= 0:
            raise BlockingIOError
        if self._at >= len(self._in):
            self._in = self._sock.recv(READ)
            self._at = 0
        piece = self._in[self._at : self._at + size]
        self._at += len(piece)
        return piece

    def send(self, data: bytes) -> int:
        self._out += data
        return len(data)

    def flush(self) -> None:
        """Send what is held, as much as goes at once. ``OSError`` when the connection is gone."""
        while self._out:
            try:
                sent = self._sock.send(self._out)
            except (BlockingIOError, ssl.SSLWantWriteError, ssl.SSLWantReadError):
                return
            del self._out[:sent]

    def fileno(self) -> int:
        return int(self._sock.fileno())

    def setblocking(self, flag: bool) -> None:
        self._sock.setblocking(flag)

    def settimeout(self, timeout: float | None) -> None:
        self._sock.settimeout(timeout)

    def pending(self) -> int:
        return len(self._in) - self._at

    def close(self) -> None:
        with suppress(OSError):
            self.flush()
        self._sock.close()


class BufferedClient(paho.Client):
    """``paho.Client`` over a ``BufferedSocket``: the one place that steps behind paho's public face."""

    def _create_socket(self) -> Any:
        return BufferedSocket(super()._create_socket())

    def _ssl_wrap_socket(self, tcp_sock: Any) -> ssl.SSLSocket:
        """paho leaves the socket of a failed handshake open."""
        if self._ssl_context is None:
            raise ValueError("secure() comes before a connection with TLS")
        secured = self._ssl_context.wrap_socket(
            tcp_sock, server_hostname=self.host, do_handshake_on_connect=False
        )
        try:
            secured.settimeout(self.connect_timeout)
            secured.do_handshake()
        except BaseException:
            secured.close()
            raise
        return secured

    def secure(self, context: ssl.SSLContext) -> None:
        """TLS from the next connection on; paho's own way allows it once only."""
        self._ssl_context = None
        self.tls_set_context(context)

    def read(self, most: int) -> None:
        """Take up to so many messages. paho by itself reads as many packets as it has messages on their way
        out, whatever it is told."""
        sock = self.buffered
        while sock is not None and most > 0:
            sock.left = most
            if self.loop_read() != paho.MQTT_ERR_SUCCESS or sock.left == most:
                return
            most = sock.left

    def took(self) -> None:
        """One of them, as ``on_message`` says."""
        if (sock := self.buffered) is not None:
            sock.left -= 1

    def ping_unasked(self) -> None:
        """A sign of life whose answer nobody waits for: it may lie unread behind much else."""
        self._send_simple_command(MessageType.PINGREQ)

    @property
    def buffered(self) -> BufferedSocket | None:
        sock: object = self.socket()
        return sock if isinstance(sock, BufferedSocket) else None
