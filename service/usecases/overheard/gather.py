"""What is heard at a broker, kept small however long and however much that is.

It is fed with topics and payloads and never refuses any; what it couldn't keep, it says.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

from service.domain.model import SECOND, Instant
from service.usecases.overheard.reading import UNREAD, Step, read
from service.usecases.overheard.recognise import SPARKPLUG, Dialect, Recognise
from service.usecases.overheard.spots import Spots
from service.usecases.overheard.track import Track
from service.wire.gateway import LARGEST_PAYLOAD, LONGEST_TOPIC, Request
from service.wire.sparkplug_payload import write_rebirth

MOST_TOPICS = 2000
MOST_SPOTS = 30_000
"""Values, and the objects and arrays that hold them."""
MOST_NAMES = 200
"""Different message names, sources and roots."""
MOST_READ = 300_000
"""Bytes that are read in a second, of each message ``_EACH`` more than it has: a few hundredths of a core;
whoever listens may count beside it."""
_EACH = 300
SELDOM = 10 * SECOND
"""Of each topic a message is read in this time, however much is said beside it."""
HIDDEN = "hidden"
"""In place of a password."""
UNHURRIED = "messages that weren't read, only counted: too many came at once"


@dataclass(slots=True)
class Topic:
    """``dialects``: in which it was spoken there. ``retained``: how many of its messages the broker had kept
    for us. ``shapes``: what its payloads were; ``read_at``: when the last one was read."""

    dialects: set[Dialect] = field(default_factory=set)
    messages: int = 0
    size: int = 0
    retained: int = 0
    shapes: Counter[str] = field(default_factory=Counter)
    read_at: Instant | None = None


@dataclass(slots=True)
class Heard:
    """``series``: for each dialect whose values are mapped one by one, how each behaved. ``names``, and how
    often each came: of our own contract the roots, of CFX the messages, of Sparkplug nodes and devices, of
    OPC UA publishers. ``cut``: what was left out, and how often."""

    topics: dict[str, Topic] = field(default_factory=dict)
    series: dict[Dialect, dict[tuple[Step, ...], Track]] = field(default_factory=dict)
    names: dict[Dialect, Counter[str]] = field(default_factory=dict)
    messages: int = 0
    size: int = 0
    cut: Counter[str] = field(default_factory=Counter)
    first_at: Instant = 0
    last_at: Instant = 0

    @property
    def seconds(self) -> float:
        """How long was listened."""
        return (self.last_at - self.first_at) / SECOND


class Overheard:
    """``heard`` is what is known so far. ``own_root``: below it we speak ourselves."""

    def __init__(
        self, *, own_root: str = "earlybell", most_topics: int = MOST_TOPICS, most_spots: int = MOST_SPOTS
    ) -> None:
        self.heard = Heard()
        self._most_topics = most_topics
        self._recognise = Recognise(own_root, Spots(most_spots, self.heard.cut), self.heard.cut)
        self._asked: set[str] = set()
        self._second = 0
        self._read = 0

    def hear(self, topic: bytes, payload: bytes, at: Instant, *, retained: bool = False) -> None:
        """Any bytes are taken note of."""
        heard = self.heard
        heard.first_at = heard.first_at or at
        heard.last_at = max(heard.last_at, at)
        heard.messages += 1
        heard.size += len(payload)
        text = topic.decode("utf-8", "replace")[:LONGEST_TOPIC]
        known = self._topic(text)
        if known is not None:
            known.messages += 1
            known.size += len(payload)
            known.retained += retained
        if not self._has_time(known, at):
            heard.cut[UNHURRIED] += 1
            return
        self._read += len(payload) + _EACH
        reading = read(payload) if len(payload) <= LARGEST_PAYLOAD else UNREAD
        if reading is UNREAD:
            heard.cut["payloads too large to be read"] += 1
        dialect, name, values = self._recognise.take(text, payload, reading)
        if known is not None:
            known.read_at = at
            known.dialects.add(dialect)
            known.shapes[reading.shape] += 1
        if name is not None:
            self._note_name(dialect, name)
        for spot, content in values:
            if spot.track is None:
                spot.track = heard.series.setdefault(dialect, {})[spot.steps] = Track()
            spot.track.take(HIDDEN if spot.secret else content, at)

    def _has_time(self, topic: Topic | None, at: Instant) -> bool:
        """By what was read in this second; a topic of which nothing was read for long has it always."""
        if at // SECOND != self._second:
            self._second, self._read = at // SECOND, 0
        if self._read < MOST_READ:
            return True
        return topic is not None and (topic.read_at is None or at - topic.read_at >= SELDOM)

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

    def _topic(self, text: str) -> Topic | None:
        topics = self.heard.topics
        if (topic := topics.get(text)) is None:
            if len(topics) >= self._most_topics:
                self.heard.cut["messages on further topics"] += 1
                return None
            topic = topics[text] = Topic()
        return topic

    def _note_name(self, dialect: Dialect, name: str) -> None:
        names = self.heard.names.setdefault(dialect, Counter())
        if name in names or len(names) < MOST_NAMES:
            names[name] += 1
        else:
            self.heard.cut["further names of messages"] += 1
