"""What one payload is, and the steps that lead to a value."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Literal, NamedTuple

import msgspec

Shape = Literal["nothing", "JSON object", "JSON array", "number", "text", "protobuf or other bytes"]


class Level(NamedTuple):
    """A level of a topic."""

    text: str


class Key(NamedTuple):
    """A key of an object, or a part of a metric's name that stands between ``/`` or ``.``."""

    text: str
    mark: str = ""


class Item(NamedTuple):
    """An element of an array, by the field that says whose it is; without one all its elements are alike."""

    field: str
    text: str


class Place(NamedTuple):
    """What a message names its sender by (``kind``: a node, a device, a writer); ``""``: it doesn't."""

    kind: str
    text: str


Step = Level | Key | Item | Place


class Reading(NamedTuple):
    shape: Shape
    document: object
    """What JSON or plain text gives; ``None`` of bytes."""


MOST_LEVELS = 40
"""Of a topic; what comes after them is one more."""


@lru_cache(maxsize=4096)
def levels_in(topic: str) -> tuple[Level, ...]:
    return tuple(map(Level, topic.split("/", MOST_LEVELS)))


UNREAD = Reading("protobuf or other bytes", None)


def read(payload: bytes) -> Reading:
    """Any bytes are something."""
    if not payload:
        return Reading("nothing", None)
    try:
        document = msgspec.json.decode(payload)
    except (msgspec.MsgspecError, ValueError, RecursionError):
        return _not_json(payload)
    if isinstance(document, dict):
        return Reading("JSON object", document)
    if isinstance(document, list):
        return Reading("JSON array", document)
    number = isinstance(document, (int, float)) and not isinstance(document, bool)
    return Reading("number" if number else "text", document)


def _not_json(payload: bytes) -> Reading:
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError:
        return Reading("protobuf or other bytes", None)
    if not text.isprintable() and any(mark not in "\r\n\t" for mark in text if not mark.isprintable()):
        return Reading("protobuf or other bytes", None)
    text = text.strip()
    try:
        number = float(text)
    except ValueError:
        return Reading("text", text)
    return Reading("number", number) if math.isfinite(number) else Reading("text", text)
