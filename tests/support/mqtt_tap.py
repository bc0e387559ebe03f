"""A tap on the wire to a broker: what a client sent, packet by packet, read from the bytes (MQTT 5.0, 2.1 to
3.14; in 3.1.1 CONNECT, PUBLISH and SUBSCRIBE have no properties)."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Callable, Iterator
from typing import NamedTuple

CONNECT, PUBLISH, SUBSCRIBE, SUBACK, DISCONNECT = 1, 3, 8, 9, 14
SESSION_EXPIRY = 0x11
_SIZES = {0x01: 1, 0x02: 4, 0x11: 4, 0x17: 1, 0x18: 4, 0x19: 1, 0x21: 2, 0x22: 2, 0x27: 4}
"""How long the properties are that our clients set in these packets (MQTT 5.0, 2.2.2.2)."""


class Packet(NamedTuple):
    kind: int
    flags: int
    body: bytes


class Said(NamedTuple):
    """A message of an application, as a PUBLISH or as a will."""

    topic: str
    payload: bytes
    qos: int
    retain: bool


class Connecting(NamedTuple):
    level: int
    client_id: str
    clean: bool
    session_expiry: int | None
    will: Said | None


class Tap:
    """Passes bytes on to a broker on this host and keeps what the clients sent, a list a connection. While
    ``withholds`` the answers of this kind of packet and all after them stay on the wire."""

    def __init__(self, target: int, *, withholds: int | None = None) -> None:
        self._target = target
        self._withholds = withholds
        self._let_through = threading.Event()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self.sent: list[bytearray] = []
        self._ends: list[socket.socket] = []
        threading.Thread(target=self._accept, daemon=True).start()

    def packets(self, connection: int = -1) -> list[Packet]:
        return list(_split(bytes(self.sent[connection]))) if self.sent else []

    def kinds(self, connection: int = -1) -> list[int]:
        """In the order in which they were sent, without acknowledgements and pings."""
        kept = {CONNECT, PUBLISH, SUBSCRIBE, DISCONNECT}
        return [each.kind for each in self.packets(connection) if each.kind in kept]

    def connecting(self, connection: int = -1) -> Connecting:
        return read_connect(self.packets(connection)[0])

    def published(self, connection: int = -1) -> list[Said]:
        level = self.connecting(connection).level
        return [read_publish(each, level) for each in self.packets(connection) if each.kind == PUBLISH]

    def subscribed(self, connection: int = -1) -> list[str]:
        level = self.connecting(connection).level
        packets = [each for each in self.packets(connection) if each.kind == SUBSCRIBE]
        return [topic for each in packets for topic in read_subscribe(each, level)]

    def let_through(self) -> None:
        """Nothing is withheld any more."""
        self._let_through.set()

    def cut(self) -> None:
        """Every connection ends now, without a word."""
        ends, self._ends = self._ends, []
        for end in ends:
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def close(self) -> None:
        self._listener.close()
        self.cut()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
                server = socket.create_connection(("127.0.0.1", self._target))
            except OSError:
                return
            self.sent.append(bytearray())
            self._ends += [client, server]
            threading.Thread(
                target=_pass_on, args=(client, server, self.sent[-1].extend), daemon=True
            ).start()
            threading.Thread(target=_pass_on, args=(server, client, self._hold), daemon=True).start()

    def _hold(self, piece: bytes) -> None:
        """A broker answers each packet by itself: a piece begins with one."""
        if self._withholds is not None and piece[0] >> 4 == self._withholds:
            self._let_through.wait(30)


def read_connect(packet: Packet) -> Connecting:
    body = _Bytes(packet.body)
    assert (packet.kind, body.text()) == (CONNECT, "MQTT")
    level, flags, _keep_alive = body.byte(), body.byte(), body.number(2)
    properties = body.properties() if level == 5 else {}
    client_id, will = body.text(), None
    if flags & 0x04:
        if level == 5:
            body.properties()
        will = Said(body.text(), body.block(), flags >> 3 & 3, bool(flags & 0x20))
    return Connecting(level, client_id, bool(flags & 0x02), properties.get(SESSION_EXPIRY), will)


def read_publish(packet: Packet, level: int) -> Said:
    body, qos = _Bytes(packet.body), packet.flags >> 1 & 3
    topic = body.text()
    if qos:
        body.number(2)
    if level == 5:
        body.properties()
    return Said(topic, body.rest(), qos, bool(packet.flags & 1))


def read_subscribe(packet: Packet, level: int) -> list[str]:
    body, topics = _Bytes(packet.body), []
    body.number(2)
    if level == 5:
        body.properties()
    while body.left():
        topics.append(body.text())
        body.byte()
    return topics


class _Bytes:
    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def left(self) -> int:
        return len(self._data) - self._at

    def number(self, size: int) -> int:
        return int.from_bytes(self._take(size))

    def byte(self) -> int:
        return self.number(1)

    def block(self) -> bytes:
        return self._take(self.number(2))

    def text(self) -> str:
        return self.block().decode()

    def rest(self) -> bytes:
        return self._take(self.left())

    def properties(self) -> dict[int, int]:
        end = self._length() + self._at
        found = {}
        while self._at < end:
            name = self.byte()
            found[name] = self.number(_SIZES[name])
        return found

    def _length(self) -> int:
        value = shift = 0
        while (byte := self.byte()) & 0x80:
            value |= (byte & 0x7F) << shift
            shift += 7
        return value | byte << shift

    def _take(self, size: int) -> bytes:
        piece = self._data[self._at : self._at + size]
        if len(piece) < size:
            raise EOFError
        self._at += size
        return piece


def _split(data: bytes) -> Iterator[Packet]:
    """The packets that are complete."""
    bytes_ = _Bytes(data)
    with contextlib.suppress(EOFError):
        while bytes_.left():
            head = bytes_.byte()
            yield Packet(head >> 4, head & 0x0F, bytes_._take(bytes_._length()))


def _pass_on(source: socket.socket, sink: socket.socket, see: Callable[[bytes], None]) -> None:
    try:
        while piece := source.recv(65_536):
            see(piece)
            sink.sendall(piece)
    except OSError:
        pass
    for end in (source, sink):
        with contextlib.suppress(OSError):
            end.shutdown(socket.SHUT_RDWR)
