"""What is heard at a broker, kept small however long and however much that is.

It is fed with topics and payloads and never refuses any; what it couldn't keep, it says.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from service.domain.model import SECOND, Instant
from service.usecases.overheard.reading import UNREAD, Reading, Single, Step, read
from service.usecases.overheard.recognise import SPARKPLUG, Dialect, Recognise
from service.usecases.overheard.track import Track
from service.wire.gateway import LARGEST_PAYLOAD, LONGEST_TOPIC, Request
from service.wire.sparkplug_payload import write_rebirth

MOST_TOPICS = 2000
MOST_VALUES = 20_000
MOST_NAMES = 200
"""Different message names, sources and roots."""
LONGEST_WAY = 300
"""Characters of all the names that lead to a value."""


NO_BIRTH = "Sparkplug metrics whose birth wasn't heard"


@dataclass(slots=True)
class Topic:
    """``dialects``: in which it was spoken there. ``retained``: how many of its messages the broker had kept
    for us. ``shapes``: what its payloads were."""

    dialects: set[Dialect] = field(default_factory=set)
    messages: int = 0
    size: int = 0
    largest: int = 0
    retained: int = 0
    shapes: Counter[str] = field(default_factory=Counter)


@dataclass(slots=True)
class Heard:
    """``series``: for each dialect whose values are mapped one by one, how each behaved. ``roots`` of our own
    contract; ``names``: of CFX the messages, of Sparkplug the groups and so on, and how often each came."""

    topics: dict[str, Topic] = field(default_factory=dict)
    series: dict[Dialect, dict[tuple[Step, ...], Track]] = field(default_factory=dict)
    names: dict[Dialect, Counter[str]] = field(default_factory=dict)
    messages: int = 0
    size: int = 0
    cut: Counter[str] = field(default_factory=Counter)
    first_at: Instant = 0
    last_at: Instant = 0


class Overheard:
    """``heard`` is what is known so far. ``own_root``: below it we speak ourselves."""

    def __init__(
        self, *, own_root: str = "earlybell", most_topics: int = MOST_TOPICS, most_values: int = MOST_VALUES
    ) -> None:
        self.heard = Heard()
        self._most_topics = most_topics
        self._most_values = most_values
        self._values = 0
        self._recognise = Recognise(own_root)
        self._asked: set[str] = set()

    def hear(self, topic: bytes, payload: bytes, at: Instant, *, retained: bool = False) -> None:
        """Any bytes are taken note of."""
        heard = self.heard
        heard.first_at = heard.first_at or at
        heard.last_at = max(heard.last_at, at)
        heard.messages += 1
        heard.size += len(payload)
        text = topic.decode("utf-8", "replace")[:LONGEST_TOPIC]
        reading = read(payload) if len(payload) <= LARGEST_PAYLOAD else UNREAD
        if reading is UNREAD:
            heard.cut["payloads too large to be read"] += 1
        dialect, name, values = self._recognise.take(text, payload, reading)
        self._note_topic(text, dialect, reading, len(payload), retained)
        if name is not None:
            self._note_name(dialect, name)
        for single in values:
            self._note_value(dialect, single, at)
        if self._recognise.unnamed:
            heard.cut[NO_BIRTH] = self._recognise.unnamed

    def births(self, at: Instant) -> list[Request]:
        """What asks the Sparkplug nodes for their births whose names aren't known; each is asked once."""
        new = sorted(self._recognise.nameless - self._asked)
        self._asked.update(new)
        return [Request(f"{SPARKPLUG}/{node.replace('/', '/NCMD/')}", write_rebirth(at)) for node in new]

    def listened(self, seconds: float, until: Instant) -> None:
        """How long somebody listened: rates are of this time, not of that from first to last message."""
        heard, since = self.heard, until - round(seconds * SECOND)
        heard.first_at = min(heard.first_at or since, since)
        heard.last_at = max(heard.last_at, until)

    def _note_topic(self, text: str, dialect: Dialect, reading: Reading, size: int, retained: bool) -> None:
        topic = self.heard.topics.get(text)
        if topic is None:
            if len(self.heard.topics) >= self._most_topics:
                self.heard.cut["messages on further topics"] += 1
                return
            topic = self.heard.topics[text] = Topic()
        topic.dialects.add(dialect)
        topic.messages += 1
        topic.size += size
        topic.largest = max(topic.largest, size)
        topic.retained += retained
        topic.shapes[reading.shape] += 1

    def _note_name(self, dialect: Dialect, name: str) -> None:
        names = self.heard.names.setdefault(dialect, Counter())
        if name in names or len(names) < MOST_NAMES:
            names[name] += 1
        else:
            self.heard.cut["further names of messages"] += 1

    def _note_value(self, dialect: Dialect, single: Single, at: Instant) -> None:
        if sum(len(step.text) + 1 for step in single.path) > LONGEST_WAY:
            self.heard.cut["values with very long names"] += 1
            return
        series = self.heard.series.setdefault(dialect, {})
        track = series.get(single.path)
        if track is None:
            if self._values >= self._most_values:
                self.heard.cut["further values"] += 1
                return
            self._values += 1
            track = series[single.path] = Track()
        track.take(single.content, at)
