"""OPC UA PubSub in JSON over MQTT (OPC 10000-14) into our own messages: each field of a data set is a value
under its name, and rules say what the values mean.

Of each writer it remembers how far it came, so that what comes again counts once, and what its fields are; of
each publisher, whether it is there. A field that a delta frame leaves out, or whose status is bad, says
nothing: what was known of it stays.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import lru_cache
from typing import Any, NamedTuple

import msgspec

from service.domain.model import SECOND, Instant
from service.wire.gateway import Memories, Memory, Native, Plain
from service.wire.gathered import believed
from service.wire.native import Misfit
from service.wire.opcua_fields import read_fields
from service.wire.opcua_json import Data, DataSet, Description, Status, clean_text, read
from service.wire.opcua_order import Heard, Message, judge, note
from service.wire.patterns import Pattern, constants
from service.wire.values import Gathered, Part, Rule, Value, Values

MOST_WRITERS = 10_000
PATIENCE = 300 * SECOND
"""Without an expected message for so long a writer's numbers may begin anywhere, where the time between its
keep-alive messages isn't configured."""


class Places(NamedTuple):
    """Patterns that say which line and station a message is of: of topics, of the publisher's id, of the
    names of writer group and writer. ``writers``: what a writer is called here that has but a number;
    ``fixed``: what none of them says."""

    topics: Sequence[str] = ("opcua/json/#",)
    publisher: str | None = None
    group: str | None = None
    writer: str | None = None
    writers: Mapping[str, str] = {}
    fixed: Mapping[str, str] = {}


class Writer(msgspec.Struct, array_like=True):
    """What a writer's metadata told of it; ``fields`` are their built-in types by their names."""

    name: str | None = None
    major: int | None = None
    fields: Mapping[str, int] = {}


class Publisher(msgspec.Struct, array_like=True):
    """``gone_at``: when it is gone, unless it says before that it is there."""

    away: bool = False
    gone_at: Instant | None = None


class _Sender(NamedTuple):
    """Who a data set is of: by its headers, else by the topic, ``prefix/json/data/publisher/group/writer``
    (7.3.5.7). A writer without number and name is known by its topic."""

    publisher: str
    group: str | None
    writer: str
    name: str | None


class OpcUaTranslator(Plain):
    """``keep_alive``: seconds between a writer's keep-alive messages; ``None``: unknown. ``ValueError`` says
    what in places or rules can't be used."""

    def __init__(
        self, source: str, rules: Sequence[Rule], *, places: Places, keep_alive: float | None = None
    ) -> None:
        self._topics = [Pattern(topic) for topic in places.topics]
        self.filters = tuple(dict.fromkeys(topic.filter for topic in self._topics))
        self._publisher, self._group, self._writer = (
            None if pattern is None else Pattern(pattern)
            for pattern in (places.publisher, places.group, places.writer)
        )
        self._whose = lru_cache(maxsize=MOST_WRITERS)(self._place)
        self._called = places.writers
        self._fixed = constants(places.fixed)
        self._patience = PATIENCE if keep_alive is None else round(2 * keep_alive * SECOND)
        stations = Memory(Gathered, Gathered)
        self._heard = Memory(Heard, Heard)
        self._writers = Memory(Writer, Writer)
        self._publishers = Memory(Publisher, Publisher)
        self.memory = Memories(
            station=stations, heard=self._heard, writer=self._writers, publisher=self._publishers
        )
        self._values = Values(source, rules, stations)
        self.gaps: int = 0

    def hear(
        self, topic: str, payload: bytes, *, at: Instant, retained: bool = False
    ) -> Sequence[Native] | None:
        match read(payload):
            case Data() as data:
                return self._hear_data(topic, data, at, retained=retained)
            case Description() as description:
                self._learn(description)
            case Status() as status:
                return self._hear_status(status, at)
        return ()

    def look(self, at: Instant) -> list[Native]:
        said = self._values.look(at)
        for key, publisher in self._publishers.items():
            if publisher.gone_at is not None and publisher.gone_at <= at:
                said += self._turn(key, Publisher(away=True))
        return said

    def next_moment(self) -> Instant | None:
        moments = [each.gone_at for _, each in self._publishers.items()]
        known = (moment for moment in [self._values.next_moment(), *moments] if moment is not None)
        return min(known, default=None)

    def _hear_data(self, topic: str, data: Data, at: Instant, *, retained: bool) -> list[Native] | None:
        """All its data sets that weren't heard before; where one of them doesn't fit, none."""
        heard: dict[str, Heard] = {}
        parts: list[Part] = []
        publishers: set[str] = set()
        repeats = gaps = 0
        for each in data.sets:
            sender = _sender(topic, each)
            place = self._whose(topic, sender.publisher, sender.group, self._name(sender))
            if place is None:
                continue
            key = _key(sender.publisher, sender.writer)
            before = heard.get(key) or self._heard.seen(key)
            message = Message(each.sequence, data.id, believed(each.at, at), next=each.payload is None)
            verdict = judge(before, message, at, self._patience)
            if verdict.repeat:
                repeats += 1
                continue
            gaps += verdict.missing > 0
            # Two data sets of a writer may come in one message: its id is noted when all of it is read.
            heard[key] = note(before or Heard(), message._replace(id=None), at)
            publishers.add(sender.publisher)
            if each.payload is not None:
                parts.append(Part(place, self._read(key, each), verdict.missing))
        if repeats and not heard:
            return None
        _check_room(self._heard, heard)
        said = self._values.take_all(parts, at=at, retained=retained)
        self.gaps += gaps
        for key, last in heard.items():
            self._heard.put(key, note(last, Message(None, data.id, None), at))
        return said if retained else [*self._back(publishers), *said]

    def _back(self, publishers: Iterable[str]) -> Iterator[Native]:
        """Who publishes is there."""
        for each in sorted(publishers):
            if (known := self._publishers.seen(each)) is not None and known.away:
                yield from self._turn(each, Publisher())

    def _read(self, key: str, data: DataSet) -> list[Value]:
        """The values that are known. What null means, no encoding says for sure, so it says nothing."""
        writer = self._writers.seen(key) or Writer()
        fits = data.major is None or writer.major is None or data.major == writer.major
        kinds = writer.fields if fits else {}
        fields = read_fields(data.payload or {}, kinds, at=data.at, status=data.status)
        return [Value(*field) for field in fields if field.content is not None]

    def _place(self, topic: str, publisher: str, group: str | None, writer: str) -> Mapping[str, str] | None:
        """What topic and headers say of whose it is; ``None``: they are of another, who isn't meant."""
        of_topic = next((found for each in self._topics if (found := each.match(topic)) is not None), None)
        if of_topic is None:
            return None
        place = {**self._fixed, **of_topic}
        for pattern, said in ((self._publisher, publisher), (self._group, group), (self._writer, writer)):
            if pattern is not None and said:
                found = pattern.match(said)
                if found is None:
                    return None
                place |= found
        return {**place, "publisher": publisher}

    def _name(self, sender: _Sender) -> str:
        """What the writer is called: here, by itself, by its metadata; else its number."""
        known = self._writers.seen(_key(sender.publisher, sender.writer))
        name = sender.name or (None if known is None else known.name) or sender.writer
        return self._called.get(sender.writer) or self._called.get(name) or name

    def _learn(self, description: Description) -> None:
        """By the writer's number and by its name, as data may say either."""
        learnt = Writer(description.name, description.major, description.fields)
        keys = [_key(description.publisher, each) for each in (description.writer, description.name) if each]
        _check_room(self._writers, keys)
        for key in keys:
            if self._writers.seen(key) != learnt:
                self._writers.put(key, learnt)

    def _hear_status(self, status: Status, at: Instant) -> list[Native]:
        """One that says regularly that it is there is gone after two such times without a word."""
        if self._publisher is not None and self._publisher.match(status.publisher) is None:
            return []
        _check_room(self._publishers, [status.publisher])
        soon = status.every if status.operational else None
        gone_at = at + 2 * soon if soon else None
        return self._turn(status.publisher, Publisher(away=not status.operational, gone_at=gone_at))

    def _turn(self, key: str, publisher: Publisher) -> list[Native]:
        before = self._publishers.seen(key) or Publisher()
        if before == publisher:
            return []
        self._publishers.put(key, publisher)
        if before.away == publisher.away:
            return []
        return self._values.link({"publisher": key}, "offline" if publisher.away else "online", None)


def _sender(topic: str, data: DataSet) -> _Sender:
    publisher, group, name = data.publisher, data.group, data.name
    levels = topic.split("/")
    for place in range(1, len(levels) - 2):
        if levels[place : place + 2] == ["json", "data"]:
            of_publisher, of_group, of_writer = (*levels[place + 2 : place + 5], None, None)[:3]
            publisher, group, name = publisher or of_publisher, group or of_group, name or of_writer
            break
    publisher, name = clean_text("topic", publisher or ""), name and clean_text("topic", name)
    return _Sender(publisher, group, data.writer or name or clean_text("topic", topic), name)


def _key(publisher: str, writer: str) -> str:
    """No name has a tab in it."""
    return f"{publisher}\t{writer}"


def _check_room(memory: Memory[Any], keys: Iterable[str]) -> None:
    if not memory.has_room(keys, MOST_WRITERS):
        raise Misfit(f"more than {MOST_WRITERS} writers were heard of")
