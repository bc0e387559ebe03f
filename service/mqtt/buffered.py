"""A paho client whose socket reads and writes in large pieces.

paho reads a message in four system calls and writes each acknowledgement in one; at ten thousand messages
a second those are most of the cost. This client hands paho a socket that holds what one read brought and
what one turn of the loop wrote. Whoever owns the loop calls ``flush`` after each turn and doesn't wait
while ``held`` says there is more.

Plain messages and their acknowledgements, nearly all there is, don't pass through paho: it takes 40 us for
both, this takes 3. Every other packet is paho's."""

from __future__ import annotations

import ssl
from collections.abc import Callable
from contextlib import suppress
from typing import Any, NamedTuple

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion, MessageType

READ = 256 * 1024
_PUBLISH, _NOT_PLAIN = 0x30, 0xF4
"""The first byte of a PUBLISH (MQTT 5.0, 3.3.1); the bits of it that tell other packets and QoS 2 from it."""
_PUBACK = b"\x40\x02"


class Plain(NamedTuple):
    """A message as it came. ``number`` is what it is acknowledged by; 0: not at all."""

    topic: bytes
    payload: bytes
    retained: bool
    number: int


class BufferedSocket:
    """What paho asks of a socket, over a non-blocking one."""

    def __init__(self, sock: Any) -> None:
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
        if self._at >= len(self._in):
            self._in = self._sock.recv(READ)
            self._at = 0
        piece = self._in[self._at : self._at + size]
        self._at += len(piece)
        return piece

    def take_plain(self, most: int, *, five: bool) -> list[Plain]:
        """The messages that lie whole at the head of what was read, of QoS 0 or 1, with a topic and without
        properties (MQTT 5.0, 3.3; ``five``: by that version). Ends before the first packet that is another.
        """
        if self._at >= len(self._in):
            with suppress(OSError):  # whatever it is, paho's own read meets it as well
                self._in, self._at = self._sock.recv(READ), 0
        data, at, end = self._in, self._at, len(self._in)
        found: list[Plain] = []
        while len(found) < most and at + 1 < end:
            first = data[at]
            length, body = data[at + 1], at + 2
            if length > 127:
                length, body = _long(data, body, length)
            after = body + length
            if first & _NOT_PLAIN != _PUBLISH or after > end or length < 2:
                break
            name = body + 2
            rest = name + (data[body] << 8 | data[body + 1])
            start = rest + (first & 2) + five
            if rest == name or start > after or (five and data[start - 1]):
                break
            number = data[rest] << 8 | data[rest + 1] if first & 2 else 0
            found.append(Plain(data[name:rest], data[start:after], first & 1 == 1, number))
            at = after
        self._at = at
        return found

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


def _long(data: bytes, at: int, length: int) -> tuple[int, int]:
    """A remaining length of more than one byte, and where it ends; beyond all data while it isn't whole."""
    length &= 127
    for shift in (7, 14, 21):
        if at >= len(data):
            break
        length |= (data[at] & 127) << shift
        at += 1
        if data[at - 1] < 128:
            return length, at
    return 1 << 28, at


class BufferedClient(paho.Client):
    """``paho.Client`` over a ``BufferedSocket``: the one place that steps behind paho's public face."""

    def __init__(self, *, heard: Callable[[Plain], None], **options: Any) -> None:
        """``heard`` is called with each message that ``read`` meets."""
        super().__init__(CallbackAPIVersion.VERSION2, manual_ack=True, **options)
        self.heard = heard
        self._by_paho = 0
        self.on_message = self._hear
        # With this set, packets are written by the loop, not one by one by whoever queues them.
        self.on_socket_register_write = lambda *_: None

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
        """Read on, up to so many messages and packets; ``heard`` is called with each message."""
        while most > 0:
            plain = self._read_plain(most)
            for each in plain:
                self.heard(each)
            most -= len(plain) + 1
            before = self._by_paho
            if most < 0 or self.loop_read() != paho.MQTT_ERR_SUCCESS or self._by_paho == before:
                return

    def _read_plain(self, most: int) -> list[Plain]:
        sock = self.buffered
        if sock is None or self._in_packet["command"]:
            return []  # paho is in the middle of a packet
        return sock.take_plain(most, five=self._protocol == paho.MQTTv5)

    def _hear(self, _client: paho.Client, _data: Any, message: paho.MQTTMessage) -> None:
        self._by_paho += 1
        # The raw topic: paho's own decoding raises on topics that aren't UTF-8.
        topic, payload = message._topic, bytes(message.payload)  # noqa: SLF001
        self.heard(Plain(topic, payload, message.retain, message.mid if message.qos else 0))

    def acknowledge(self, number: int) -> None:
        """One of QoS 1; goes out with the next ``flush``."""
        if (sock := self.buffered) is not None:
            sock.send(_PUBACK + number.to_bytes(2, "big"))

    def ping_unasked(self) -> None:
        """A sign of life whose answer nobody waits for: it may lie unread behind much else."""
        self._send_simple_command(MessageType.PINGREQ)

    @property
    def buffered(self) -> BufferedSocket | None:
        sock: object = self.socket()
        return sock if isinstance(sock, BufferedSocket) else None
