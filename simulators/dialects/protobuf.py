"""The few bytes of Protocol Buffers that a Sparkplug payload needs, written by hand from the encoding's
public description: base 128 varints, and fields with their number and wire type before them."""

from __future__ import annotations

from collections.abc import Iterator


def varint(number: int) -> bytes:
    """Of an unsigned number up to 64 bits; a negative one as its two's complement."""
    number &= (1 << 64) - 1
    out = bytearray()
    while number > 0x7F:
        out.append(number & 0x7F | 0x80)
        number >>= 7
    out.append(number)
    return bytes(out)


def number(field: int, value: int) -> bytes:
    return varint(field << 3) + varint(value)


def text(field: int, value: str | bytes) -> bytes:
    """Also of a message within a message."""
    data = value.encode() if isinstance(value, str) else value
    return varint(field << 3 | 2) + varint(len(data)) + data


def fields(data: bytes) -> Iterator[tuple[int, int | bytes]]:
    """Number and value of each field of those kinds. ``ValueError``: there is another."""
    at = 0

    def read() -> int:
        nonlocal at
        value = shift = 0
        while True:
            byte = data[at]
            at += 1
            value |= (byte & 0x7F) << shift
            shift += 7
            if byte < 0x80:
                return value

    while at < len(data):
        key = read()
        if key & 7 == 0:
            yield key >> 3, read()
        elif key & 7 == 2:
            size = read()
            yield key >> 3, data[at : at + size]
            at += size
        else:
            raise ValueError(f"wire type {key & 7}")
