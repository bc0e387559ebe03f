"""Messages that are read past paho, against paho's own decoder."""

from __future__ import annotations

import random
import socket
from collections.abc import Iterator
from typing import NamedTuple

import pytest
from paho.mqtt import _packet
from paho.mqtt.enums import MQTTProtocolVersion

from service.mqtt.buffered import BufferedSocket, Plain

FIVE, THREE = MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311
PINGRESP = b"\xd0\x00"


class Wire(NamedTuple):
    ours: BufferedSocket
    theirs: socket.socket


@pytest.fixture
def wire() -> Iterator[Wire]:
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    yield Wire(BufferedSocket(ours), theirs)
    ours.close()
    theirs.close()


def test_what_is_read_is_what_paho_reads(wire: Wire) -> None:
    chance = random.Random(5)
    for protocol in (FIVE, THREE):
        for _ in range(60):
            frames = [_random_frame(chance, protocol) for _ in range(3)]
            wire.theirs.sendall(b"".join(frames))
            read = wire.ours.take_plain(9, five=protocol is FIVE)
            assert read == [_by_paho(frame, protocol) for frame in frames]
            assert not wire.ours.held


def test_no_more_is_taken_than_asked_for(wire: Wire) -> None:
    wire.theirs.sendall(b"".join(_frame(number=number) for number in range(1, 6)))
    assert [each.number for each in wire.ours.take_plain(2, five=True)] == [1, 2]
    assert [each.number for each in wire.ours.take_plain(9, five=True)] == [3, 4, 5]


@pytest.mark.parametrize(
    "other",
    [
        PINGRESP,
        b"\x40\x02\x00\x07",
        b"\x34\x08\x00\x01a\x00\x02\x00{}",  # QoS 2
        b"\x32\x0b\x00\x01a\x00\x02\x03\x23\x00\x05{}",  # with a topic alias
        b"\x32\x05\x00\x00\x00\x02\x00",  # without a topic
        b"\x30\x03\x00\x09a",  # a topic longer than the packet
        b"\x32\x04\x00\x01a\x00",  # it ends within its number
        b"\x30\xff\xff\xff\xff\x01",  # no length has five bytes
        b"\x30\x01\x00",
    ],
)
def test_every_other_packet_is_left_to_paho_with_all_behind_it(wire: Wire, other: bytes) -> None:
    wire.theirs.sendall(_frame(number=1) + other + _frame(number=2))
    assert [each.number for each in wire.ours.take_plain(9, five=True)] == [1]
    assert wire.ours.take_plain(9, five=True) == []
    assert wire.ours.recv(len(other)) == other
    assert [each.number for each in wire.ours.take_plain(9, five=True)] == [2]


@pytest.mark.parametrize("payload", [b"{}", b"x" * 300, b"x" * 20_000])
def test_one_that_has_not_come_whole_is_left_to_paho(wire: Wire, payload: bytes) -> None:
    frame = _frame(number=7, payload=payload)
    for cut in (1, 2, 3, len(frame) - 1):
        wire.theirs.sendall(frame[:cut])
        assert wire.ours.take_plain(9, five=True) == []
        assert wire.ours.recv(1 << 20) == frame[:cut]
    wire.theirs.sendall(frame)
    assert [each.payload for each in wire.ours.take_plain(9, five=True)] == [payload]


def test_a_closed_connection_is_for_paho_to_find(wire: Wire) -> None:
    wire.theirs.close()
    assert wire.ours.take_plain(9, five=True) == []
    assert wire.ours.recv(1) == b""


def _random_frame(chance: random.Random, protocol: MQTTProtocolVersion) -> bytes:
    return _frame(
        qos=chance.randrange(2),
        duplicate=chance.random() < 0.2,
        retained=chance.random() < 0.2,
        topic=chance.choice([b"floor/L/S/count", "böden/ß".encode(), b"\xff\x00"]),
        number=chance.randrange(1, 65_536),
        payload=chance.randbytes(chance.choice([0, 1, 90, 130, 17_000])),
        five=protocol is FIVE,
    )


def _frame(
    *,
    qos: int = 1,
    duplicate: bool = False,
    retained: bool = False,
    topic: bytes = b"floor/L/S/count",
    number: int = 1,
    payload: bytes = b"{}",
    five: bool = True,
) -> bytes:
    """A PUBLISH as MQTT 5.0, 3.3 (or 3.1.1, 3.3) has it."""
    body = len(topic).to_bytes(2, "big") + topic
    body += number.to_bytes(2, "big") if qos else b""
    body += (b"\0" if five else b"") + payload
    return bytes([0x30 | duplicate << 3 | qos << 1 | retained]) + _length(len(body)) + body


def _length(length: int) -> bytes:
    digits = bytearray()
    while True:
        length, digit = divmod(length, 128)
        digits.append(digit | (0x80 if length else 0))
        if not length:
            return bytes(digits)


def _by_paho(frame: bytes, protocol: MQTTProtocolVersion) -> Plain:
    begin = 1 + next(at for at, digit in enumerate(frame[1:], 1) if digit < 128)
    read = _packet.decode_publish(frame[0], frame[begin:], protocol)
    return Plain(bytes(read.topic), bytes(read.payload), read.retain, read.mid)
