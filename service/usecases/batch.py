"""What is handed to the owner of the world, and what a batch of it becomes before it is written."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field

import msgspec

from service.domain.events import JournalEntry, Message
from service.domain.life import Taken
from service.domain.model import Change, Instant
from service.domain.notices import Told
from service.lease import Answered
from service.ports import NewDelivery, Refused
from service.tracing import REQUEST
from service.wire.native import Address

DONE, CONFLICT, FAILED = b"done", b"conflict", b"failed"
"""What is stored as the answer to something that was asked elsewhere."""


@dataclass(slots=True)
class Inbound:
    """A message as the broker gave it; ``token`` is what the adapter needs to acknowledge it. ``source``:
    whose language it is; ``""`` our own, from the broker of ``[mqtt]``. ``received``: when, by the monotonic
    clock, in seconds; ``None`` where nobody measures."""

    topic: bytes
    payload: bytes
    retained: bool
    token: tuple[int, int]
    source: str = ""
    received: float | None = None


@dataclass(frozen=True, slots=True)
class Turn:
    """Something about the sources that is no message: one is connected (again), or (``""``) time passed."""

    connected: str = ""


@dataclass(slots=True)
class Ask:
    """Something a person or the clock does: an address and an event, answered with the changed notices. What
    was asked elsewhere has an ``id``, and its answer is stored with what it changes. ``request``: by which id
    whoever asked follows it."""

    address: Address
    message: Message
    data: bytes
    answer: Future[list[Told]]
    id: str = ""
    request: str = field(default_factory=REQUEST.get)


@dataclass(slots=True)
class Heard:
    """What came of one source in a batch: its messages, how many of what they said was said before, how many
    of them were refused (``reason``: the last one's), and what was new in them, by kind. ``elsewhere``: what
    another shard hears and we don't."""

    messages: int = 0
    repeats: int = 0
    refused: int = 0
    reason: str = ""
    said: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    elsewhere: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Entered:
    """An entry of the journal that a log follows: its number (the ``id`` of an export), what it is, and the
    message or the request that it came of."""

    event: int
    kind: str
    subject: str
    at: Instant
    source: str | None = None
    topic: str | None = None
    session: str | None = None
    seq: int | None = None
    request: str = ""


class _Numbered(msgspec.Struct):
    """What a count says of itself."""

    session: str | None = None
    seq: int | None = None


@dataclass(slots=True)
class Draft:
    """What a batch will write and whom it will answer. ``heard`` is by source; ``origins`` says of each that
    is told which entry of the draft it came of, and of which item; ``acts`` of what was asked by a request
    which entry it became."""

    heard: defaultdict[str, Heard] = field(default_factory=lambda: defaultdict(Heard))
    journal: list[JournalEntry] = field(default_factory=list)
    told: list[tuple[Told, Instant]] = field(default_factory=list)
    refused: list[Refused] = field(default_factory=list)
    answers: list[tuple[Future[list[Told]], list[Told] | Exception]] = field(default_factory=list)
    passed_on: list[Answered] = field(default_factory=list)
    origins: list[tuple[int, Item | None]] = field(default_factory=list)
    acts: list[tuple[int, Ask]] = field(default_factory=list)

    def happened(self, entry: JournalEntry, told: Sequence[Told] | None, item: Item | None = None) -> None:
        """An entry of the journal, and what people are told because of it."""
        if told:
            self.told += [(each, entry.at) for each in told]
            self.origins += [(len(self.journal), item)] * len(told)
        self.journal.append(entry)

    def entered(self, number: int, item: Item | None, *, position: int) -> Entered:
        """Its entry of that number, of a batch whose first has the number ``position``."""
        entry = self.journal[number]
        numbered = msgspec.json.decode(entry.data, type=_Numbered) if entry.kind == "count" else _Numbered()
        heard = item if isinstance(item, Inbound) else None
        return Entered(
            event=position + number,
            kind=entry.kind,
            subject=entry.subject,
            at=entry.at,
            source=None if heard is None else heard.source,
            topic=None if heard is None else heard.topic.decode("utf-8", "replace"),
            session=numbered.session,
            seq=numbered.seq,
            request=item.request if isinstance(item, Ask) else "",
        )

    def answer(self, ask: Ask, answer: list[Told] | Exception) -> None:
        self.answers.append((ask.answer, answer))
        if ask.id:
            self.passed_on.append(Answered(ask.id, _word(answer)))


@dataclass(frozen=True, slots=True)
class Committed:
    """What a commit changed, for those who show it; ``heard`` is by source. ``causes`` says of each that is
    told which entry it came of, ``acts`` which entries requests made, ``refused`` what was set aside."""

    keys: frozenset[str]
    told: list[Told]
    counts: Mapping[str, int]
    heard: Mapping[str, Heard]
    causes: Sequence[Entered] = ()
    acts: Sequence[Entered] = ()
    refused: Sequence[Refused] = ()


def deliveries(told: Sequence[tuple[Told, Instant]], *, at: Instant) -> list[NewDelivery]:
    """What goes out of it, due at once: ``at`` is by the wall clock, which needn't be the one that the
    messages go by."""
    return [
        NewDelivery(
            key=delivery_key(each, outlet),
            outlet=outlet,
            conversation=f"{each.notice.id}/{outlet}",
            change=each.change,
            notice=each.notice,
            at=at,
        )
        for each, _ in told
        for outlet in each.outlets or ()
    ]


def delivery_key(told: Told, outlet: str) -> str:
    """What goes to the outlet of it is known by this, wherever it is seen."""
    return f"{told.notice.id}-{_saying(told)}-{outlet}"


def _saying(told: Told) -> str:
    """Which of all that is ever said of its notice this is."""
    notice = told.notice
    said = f"v{notice.version}"
    return f"{said}-r{notice.reminded}-e{notice.escalated}" if told.change is Change.REMINDED else said


def _word(answer: list[Told] | Exception) -> bytes:
    if not isinstance(answer, Exception):
        return DONE
    return CONFLICT if isinstance(answer, (KeyError, Taken)) else FAILED


Item = Inbound | Ask | Turn
