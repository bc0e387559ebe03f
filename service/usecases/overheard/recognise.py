"""Which language a message is in, and what it holds of values that are told one by one.

The three standards and our own contract are known by their topics and envelopes; whatever else comes is taken
as values on topics.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator
from contextlib import suppress
from functools import lru_cache
from typing import Literal, NamedTuple

from service.usecases.overheard.reading import Key, Level, Place, Reading, levels_in
from service.usecases.overheard.spots import Said, Spots
from service.usecases.overheard.words import has_meaning, tells_whose
from service.wire import opcua_json
from service.wire.native import Address, Misfit, read_message, read_topic
from service.wire.opcua_fields import read_fields
from service.wire.sparkplug_payload import REBIRTH, read_payload, scalar

Dialect = Literal["native", "mapped", "sparkplug", "cfx", "opcua", "ours"]
SPARKPLUG = "spBv1.0"
NO_BIRTH = "Sparkplug metrics whose birth wasn't heard"
_MOST_ALIASES = 50_000
_MOST_NAMELESS = _MOST_ROOTS = 200
_OF_THE_NODE = ("bdSeq", REBIRTH)
_CERTAIN = ("count", "supply")
_PARTS = re.compile(r"([/.])")


class Recognised(NamedTuple):
    """``name``: what of its dialect it is, such as a root, a node or the name of a message."""

    dialect: Dialect
    name: str | None
    values: Iterable[Said] = ()


class Recognise:
    """Remembers which names stand behind a node's aliases and which roots are ours. ``own_root``: below it we
    speak ourselves. ``cut`` counts the values whose names only a birth tells that wasn't heard; ``nameless``:
    the nodes (``group/node``) that said them."""

    def __init__(self, own_root: str, spots: Spots, cut: Counter[str]) -> None:
        self.nameless: set[str] = set()
        self._spots = spots
        self._cut = cut
        self._own_root = own_root
        self._roots: set[str] = set()
        self._aliases: dict[tuple[str, int], tuple[str, int]] = {}

    def take(self, topic: str, payload: bytes, reading: Reading) -> Recognised:
        if topic.startswith(f"{self._own_root}/"):
            return Recognised("ours", self._own_root)
        if topic.startswith(f"{SPARKPLUG}/"):
            return self._sparkplug(topic, payload)
        document = reading.document
        if isinstance(document, dict) and str(document.get("MessageName", "")).startswith("CFX."):
            return self._cfx(topic, document)
        if (root := self._native_root(topic, payload)) is not None:
            return Recognised("native", root)
        if (opcua := self._opcua(topic, reading, payload)) is not None:
            return opcua
        if reading.shape in {"nothing", "protobuf or other bytes"}:
            return Recognised("mapped", None)
        spot = self._spots.root("mapped", levels_in(topic))
        return Recognised("mapped", None, self._spots.values(spot, document))

    # Our own contract

    def _native_root(self, topic: str, payload: bytes) -> str | None:
        """The root below which the message is one of ours: it fits there, or a count or a supply did."""
        for root, address in _addresses(topic):
            if _fits(address, payload):
                if address.kind in _CERTAIN and len(self._roots) < _MOST_ROOTS:
                    self._roots.add(root)
                return root
            if root in self._roots:
                return root
        return None

    # Sparkplug B

    def _sparkplug(self, topic: str, payload: bytes) -> Recognised:
        match topic.split("/")[1:]:
            case [group, ("NBIRTH" | "NDATA" | "DBIRTH" | "DDATA"), node, *device] if len(device) < 2:
                place = (group, node, *device)
                return Recognised("sparkplug", "/".join(place), self._metrics(place, payload))
            case _:
                return Recognised("sparkplug", None)

    def _metrics(self, place: tuple[str, ...], payload: bytes) -> Iterator[Said]:
        try:
            metrics = read_payload(payload).metrics
        except Misfit:
            return
        node = "/".join(place[:2])
        spots = self._spots
        root = spots.root("sparkplug", tuple(map(Place, ("group", "node", "device"), (*place, ""))))
        for metric in metrics:
            name, kind = metric.name, metric.kind
            if metric.alias is not None:
                alias = node, metric.alias
                if name is not None and (alias in self._aliases or len(self._aliases) < _MOST_ALIASES):
                    self._aliases[alias] = name, kind
                name, known = self._aliases.get(alias, (name, kind))
                kind = kind or known
            if name is None:
                self._cut[NO_BIRTH] += 1
                self._note_nameless(node)
            elif name in _OF_THE_NODE or metric.historical:
                continue
            elif (spot := spots.below(root, name + metric.path, name_steps)) is not None:
                yield spot, scalar(metric, kind)

    def _note_nameless(self, node: str) -> None:
        if len(self.nameless) < _MOST_NAMELESS:
            self.nameless.add(node)

    # CFX

    def _cfx(self, topic: str, envelope: dict[str, object]) -> Recognised:
        """Of each source, by its handle's parts, which messages it says."""
        name = str(envelope["MessageName"])[:100]
        handle = str(envelope.get("Source") or "")[:200]
        spot = self._spots.below(self._spots.root("cfx", levels_in(topic)), handle, _handle_steps)
        return Recognised("cfx", name, () if spot is None else ((spot, name),))

    # OPC UA PubSub

    def _opcua(self, topic: str, reading: Reading, payload: bytes) -> Recognised | None:
        """``None``: it is no network message, with or without its headers (OPC 10000-14, 7.2.5)."""
        if not _is_network_message(reading.document):
            return None
        values: list[Said] = []
        try:
            message = opcua_json.read(payload)
            if not isinstance(message, opcua_json.Data):
                return Recognised("opcua", None)
            for each in message.sets:
                if each.payload is None or isinstance(each.payload, list):
                    continue
                root = self._spots.root("opcua", _opcua_place(topic, each))
                values += [
                    (spot, field.content)
                    for field in read_fields(each.payload)
                    if (spot := self._spots.below(root, field.name, name_steps)) is not None
                ]
        except Misfit:
            return Recognised("opcua", None)
        publishers = {each.publisher for each in message.sets if each.publisher}
        return Recognised("opcua", ", ".join(sorted(publishers)) or topic, values)


def _handle_steps(handle: str) -> tuple[Key, ...]:
    return tuple(Key(part, "." if place else "") for place, part in enumerate(handle.split(".")))


def name_steps(name: str) -> tuple[Key, ...]:
    """A name that has parts, by ``/`` and ``.``; and by ``_`` where it says in one of them what it is, in
    another whose."""
    parts = _PARTS.split(name)
    steps: list[Key] = []
    for place in range(0, len(parts), 2):
        mark = parts[place - 1] if place else ""
        inside = parts[place].split("_")
        if any(map(has_meaning, inside)) and any(map(tells_whose, inside)):
            steps += [Key(each, "_" if number else mark) for number, each in enumerate(inside)]
        else:
            steps.append(Key(parts[place], mark))
    return tuple(steps)


@lru_cache(maxsize=4096)
def _addresses(topic: str) -> list[tuple[str, Address]]:
    """What the topic would be in our own contract, below each root that it may have."""
    levels = topic.split("/")
    found = []
    for ends in (3, 2, 4):
        if root := "/".join(levels[:-ends]):
            with suppress(Misfit):
                found.append((root, read_topic(topic.encode(), root)))
    return found


def _fits(address: Address, payload: bytes) -> bool:
    try:
        read_message(address, payload)
    except Misfit:
        return False
    return True


def _opcua_place(topic: str, data: opcua_json.DataSet) -> tuple[Level | Place, ...]:
    """By its headers, and by the levels of its topic where those are left out."""
    named = (data.publisher, data.group, data.name or data.writer)
    if not any(named):
        return levels_in(topic)
    return tuple(map(Place, ("publisher", "group", "writer"), (each or "" for each in named)))


def _is_network_message(document: object) -> bool:
    if isinstance(document, dict) and str(document.get("MessageType", "")).startswith("ua-"):
        return True
    inside = document.get("Messages", document) if isinstance(document, dict) else document
    sets = [each for each in (inside if isinstance(inside, list) else [inside]) if isinstance(each, dict)]
    return bool(sets) and (
        any("DataSetWriterId" in each or ("Payload" in each and "SequenceNumber" in each) for each in sets)
        or all(each and all(map(_is_a_field, each.values())) for each in sets)
    )


def _is_a_field(content: object) -> bool:
    """A value in one of the encodings that nobody else writes."""
    return isinstance(content, dict) and (
        {"Value", "SourceTimestamp"} <= content.keys() or content.keys() == {"Type", "Body"}
    )
