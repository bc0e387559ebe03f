"""What one payload is, and the single values in it, each with the steps that lead to it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Literal, NamedTuple

import msgspec

from service.usecases.overheard.words import names_a_place

Shape = Literal["nothing", "JSON object", "JSON array", "number", "text", "protobuf or other bytes"]
MOST_VALUES = 2000
"""Single values that are read of one payload."""
DEEPEST = 12


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


class Single(NamedTuple):
    """A value that holds no others."""

    path: tuple[Step, ...]
    content: object


class Reading(NamedTuple):
    shape: Shape
    document: object
    """What JSON or plain text gives; ``None`` of bytes."""


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


def singles(document: object, path: tuple[Step, ...] = ()) -> Iterator[Single]:
    """The values in it, at most ``MOST_VALUES`` of them and not deeper than ``DEEPEST``."""
    waiting: list[tuple[tuple[Step, ...], object]] = [(path, document)]
    given = 0
    while waiting and given < MOST_VALUES:
        steps, content = waiting.pop()
        if isinstance(content, Mapping) and len(steps) < len(path) + DEEPEST:
            entries = list(content.items())[:MOST_VALUES]
            waiting += [((*steps, Key(str(key)[:80])), each) for key, each in reversed(entries)]
        elif isinstance(content, list) and len(steps) < len(path) + DEEPEST:
            waiting += [((*steps, item), each) for item, each in reversed(_items(content))]
        else:
            given += 1
            yield Single(steps, content)


def _items(elements: Sequence[object]) -> list[tuple[Item, object]]:
    elements = elements[:MOST_VALUES]
    field = _naming_field(elements)
    if field is None:
        return [(Item("", ""), each) for each in elements]
    return [(Item(field, str(each[field])[:80]), each) for each in elements if isinstance(each, Mapping)]


def _naming_field(elements: Sequence[object]) -> str | None:
    """The field by which an array's objects are told apart: one whose name says so, else the first text that
    differs in each."""
    objects = [each for each in elements if isinstance(each, Mapping)]
    if not objects or len(objects) != len(elements):
        return None
    fits = [
        str(field)
        for field in objects[0]
        if all(isinstance(each.get(field), (str, int)) for each in objects)
        and len({str(each[field]) for each in objects}) == len(objects)
        and not any(isinstance(each[field], bool) for each in objects)
    ]
    named = sorted((field for field in fits if names_a_place(field)), key=names_a_place, reverse=True)
    texts = [field for field in fits if isinstance(objects[0][field], str)]
    return next(iter([*named, *texts]), None)
