"""A Sparkplug edge node by a script: births, data and deaths as bytes, written by hand.

Its protobuf is its own (Protocol Buffers, Encoding: varints; field numbers of Eclipse Sparkplug 3.0.0,
6.4.1), so that the service's decoder is checked by another's bytes. ``fields`` reads what the host sends."""

from __future__ import annotations

import struct
from dataclasses import dataclass, field
from typing import NamedTuple

NAMESPACE = "spBv1.0"
REBIRTH = "Node Control/Rebirth"
INT8, INT16, INT32, INT64, UINT8, UINT16, UINT32, UINT64 = range(1, 9)
FLOAT, DOUBLE, BOOLEAN, STRING, DATETIME, TEXT, UUID, DATASET, BYTES, FILE, TEMPLATE = range(9, 20)
BAD, GOOD, STALE = 0, 192, 500
VARINT, FIXED64, LENGTH, FIXED32 = 0, 1, 2, 5


class Message(NamedTuple):
    topic: str
    payload: bytes
    qos: int = 0
    retain: bool = False


def varint(number: int) -> bytes:
    """Negative numbers as two's complement of 64 bits."""
    number &= 2**64 - 1
    out = bytearray()
    while number > 0x7F:
        out.append(number & 0x7F | 0x80)
        number >>= 7
    out.append(number)
    return bytes(out)


def number(place: int, value: int) -> bytes:
    return varint(place << 3 | VARINT) + varint(value)


def block(place: int, value: bytes) -> bytes:
    return varint(place << 3 | LENGTH) + varint(len(value)) + value


def value_field(kind: int, value: object) -> bytes:
    """The field of a metric that holds a value of this data type (6.4.16)."""
    if kind in {INT8, INT16, INT32, UINT8, UINT16}:
        assert isinstance(value, int)
        return number(10, value & 2**32 - 1)
    if kind in {INT64, UINT32, UINT64, DATETIME}:
        assert isinstance(value, int)
        return number(11, value)
    if kind == FLOAT:
        return varint(12 << 3 | FIXED32) + struct.pack("<f", value)
    if kind == DOUBLE:
        return varint(13 << 3 | FIXED64) + struct.pack("<d", value)
    if kind == BOOLEAN:
        return number(14, int(bool(value)))
    if kind in {STRING, TEXT, UUID}:
        return block(15, str(value).encode())
    assert isinstance(value, bytes)
    return block({DATASET: 17, TEMPLATE: 18}.get(kind, 16), value)


def metric(
    name: str | None = None,
    value: object = None,
    kind: int = INT32,
    *,
    alias: int | None = None,
    at: int | None = None,
    historical: bool = False,
    quality: int | None = None,
    untyped: bool = False,
) -> bytes:
    """``value`` ``None`` is null; ``at`` in milliseconds; ``untyped``: without its data type, as data may
    be."""
    parts = [block(1, name.encode())] if name is not None else []
    parts += [number(2, alias)] if alias is not None else []
    parts += [number(3, at)] if at is not None else []
    parts += [] if untyped else [number(4, kind)]
    parts += [number(5, 1)] if historical else []
    parts += [number(7, 1)] if value is None else []
    if quality is not None:
        parts.append(block(9, block(1, b"Quality") + block(2, number(1, INT32) + number(3, quality))))
    parts += [value_field(kind, value)] if value is not None else []
    return b"".join(parts)


def template(*members: bytes, definition: bool = False) -> bytes:
    """The value of a metric of the type TEMPLATE."""
    return b"".join(block(2, each) for each in members) + (number(5, 1) if definition else b"")


def payload(*metrics: bytes, at: int | None = None, seq: int | None = None) -> bytes:
    parts = [number(1, at)] if at is not None else []
    parts += [block(2, each) for each in metrics]
    parts += [number(3, seq)] if seq is not None else []
    return b"".join(parts)


@dataclass
class Edge:
    """Says its messages in order, whether or not anybody hears them. ``at`` is its clock in milliseconds."""

    group: str = "Hollerbach"
    node: str = "L3"
    bd: int = 0
    at: int = 1_772_431_200_000
    takes_rebirths: bool = True
    seq: int = field(default=255, init=False)

    def will(self) -> Message:
        """Its death, as it gives it to the broker: without ``seq``."""
        body = payload(metric("bdSeq", self.bd, INT64), at=self.at)
        return Message(f"{NAMESPACE}/{self.group}/NDEATH/{self.node}", body, qos=1)

    def connect(self) -> Message:
        """Another session: the next bdSeq, and the death that belongs to it."""
        self.bd = (self.bd + 1) % 256
        return self.will()

    def nbirth(self, *metrics: bytes, seq: int = 0, bd_kind: int = INT64) -> Message:
        own = [metric("bdSeq", self.bd, bd_kind)]
        own += [metric(REBIRTH, False, BOOLEAN)] if self.takes_rebirths else []
        self.seq = seq
        return self._message("NBIRTH", None, payload(*own, *metrics, at=self.at, seq=seq))

    def ndata(self, *metrics: bytes) -> Message:
        return self._numbered("NDATA", None, metrics)

    def dbirth(self, device: str, *metrics: bytes) -> Message:
        return self._numbered("DBIRTH", device, metrics)

    def ddata(self, device: str, *metrics: bytes) -> Message:
        return self._numbered("DDATA", device, metrics)

    def ddeath(self, device: str) -> Message:
        return self._numbered("DDEATH", device, ())

    def _numbered(self, kind: str, device: str | None, metrics: tuple[bytes, ...]) -> Message:
        self.seq = (self.seq + 1) % 256
        return self._message(kind, device, payload(*metrics, at=self.at, seq=self.seq))

    def _message(self, kind: str, device: str | None, body: bytes) -> Message:
        below = "" if device is None else f"/{device}"
        return Message(f"{NAMESPACE}/{self.group}/{kind}/{self.node}{below}", body)


def fields(data: bytes) -> list[tuple[int, int | bytes]]:
    """The fields of a protobuf message in order: number, and an integer or bytes."""
    found: list[tuple[int, int | bytes]] = []
    place = 0

    def take() -> int:
        nonlocal place
        shift = value = 0
        while True:
            byte = data[place]
            place += 1
            value |= (byte & 0x7F) << shift
            shift += 7
            if byte < 0x80:
                return value

    while place < len(data):
        key = take()
        if key & 7 == VARINT:
            found.append((key >> 3, take()))
            continue
        size = take() if key & 7 == LENGTH else {FIXED64: 8, FIXED32: 4}[key & 7]
        found.append((key >> 3, data[place : place + size]))
        place += size
    return found


class Command(NamedTuple):
    """What a host wrote: the fields of the payload beside its metrics, and those of each metric."""

    fields: dict[int, int | bytes]
    metrics: list[dict[int, int | bytes]]


def read_command(data: bytes) -> Command:
    outer = fields(data)
    metrics = [dict(fields(value)) for place, value in outer if place == 2 and isinstance(value, bytes)]
    return Command({place: value for place, value in outer if place != 2}, metrics)
