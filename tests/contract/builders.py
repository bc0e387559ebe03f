"""Batches of an invented plant, ready made."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence

from service.domain.events import JournalEntry
from service.domain.model import Change, Instant, Notice, to_rfc3339
from service.ports import Batch, NewDelivery, Refused
from tests.support.notices import AT, notice


def entry(at: Instant, data: bytes = b"{}", *, subject: str = "L3/P1") -> JournalEntry:
    return JournalEntry(at=at, kind="count", subject=subject, data=data)


def entries(*instants: Instant) -> list[JournalEntry]:
    return [entry(at, b'{"seq":%d}' % at) for at in instants]


def batch(
    position: int = 0,
    *,
    journal: Sequence[JournalEntry] = (),
    states: Mapping[str, bytes | None] | None = None,
    notices: Sequence[Notice] = (),
    deliveries: Sequence[NewDelivery] = (),
    refused: Sequence[Refused] = (),
) -> Batch:
    return Batch(
        position=position,
        journal=journal,
        states=states or {},
        notices=notices,
        deliveries=deliveries,
        refused=refused,
    )


def opened(name: str, after: Instant = 0, **fields: object) -> Notice:
    """An open notice ``after`` microseconds (whole milliseconds) behind the usual time."""
    at = to_rfc3339(AT + after)
    return notice(**{"id": name, "opened_at": at, "changed_at": at} | fields)


def closed(name: str, after: Instant = 0, **fields: object) -> Notice:
    at = to_rfc3339(AT + after)
    return opened(name, after, **{"state": "closed", "closed_at": at, "version": 3} | fields)


def delivery(
    key: str, conversation: str = "n1:hook", *, at: Instant = 0, about: Notice | None = None
) -> NewDelivery:
    return NewDelivery(
        key=key,
        outlet=conversation.rpartition(":")[2],
        conversation=conversation,
        change=Change.OPENED,
        notice=about or opened(conversation.partition(":")[0]),
        at=at,
    )


def refused(
    payload: bytes = b"?", *, topic: str = "floor/L3", reason: str = "not JSON", at: int = 1
) -> Refused:
    return Refused(topic=topic, reason=reason, payload=payload, at=at)


def in_pieces(journal: Sequence[JournalEntry], sizes: Sequence[int]) -> list[Batch]:
    """The same journal as one batch after another of these sizes."""
    ends = list(itertools.accumulate(sizes))
    starts = [0, *ends[:-1]]
    return [batch(start, journal=journal[start:end]) for start, end in zip(starts, ends, strict=True)]
