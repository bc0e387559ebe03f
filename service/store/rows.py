"""A batch as the rows it becomes: all encoding and hashing happens here, before the transaction begins."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from hashlib import blake2b
from typing import Any

from service.domain.events import JournalEntry
from service.domain.lots import Placed, RunAt
from service.domain.model import Instant, Notice, NoticeState, from_rfc3339
from service.ports import Batch, NewDelivery, Refused
from service.store.codec import (
    clean,
    encode_journal,
    encode_notice,
    encode_run,
    encode_stay,
    escape,
)

Row = dict[str, Any]

PAYLOAD_KEPT = 1024
"""Bytes of a refused payload that are kept, enough to see what it was."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """``states`` are escaped for the driver; ``gone`` are keys; ``digest`` names a batch without entries."""

    position: int
    end: int
    at: Instant | None
    digest: bytes
    journal: Row | None
    states: Sequence[tuple[str, bytes]]
    gone: Sequence[str]
    notices: Sequence[Row]
    deliveries: Sequence[Row]
    refused: Sequence[Row]
    stays: Sequence[Row]
    runs: Sequence[Row]


def rows_of(batch: Batch, term: int | None = None) -> Rows:
    refused = _refused_rows(batch.refused)
    return Rows(
        position=batch.position,
        end=batch.position + len(batch.journal),
        at=batch.journal[-1].at if batch.journal else None,
        # Counting refused messages is all that a repeat would do twice where no entry number tells.
        digest=b"" if batch.journal else _digest_of(refused),
        journal=_journal_row(batch.position, batch.journal, term) if batch.journal else None,
        states=_state_rows(batch.states),
        gone=[key for key, data in batch.states.items() if data is None],
        notices=[_notice_row(notice) for notice in batch.notices],
        deliveries=[delivery_row(delivery) for delivery in batch.deliveries],
        refused=refused,
        stays=[stay_row(placed) for placed in batch.remembered.stays],
        runs=[run_row(each) for each in batch.remembered.runs],
    )


def stay_row(placed: Placed) -> Row:
    stay = placed.stay
    return {
        "id": placed.id,
        "line": placed.line,
        "station": placed.station,
        "slot": placed.slot,
        "kind": stay.kind,
        "part": stay.part,
        "lot": stay.lot,
        "supply": stay.supply,
        "since": stay.since,
        "to_at": None if stay.ended is None else stay.ended.at,
        "first_panel": stay.first_panel,
        "last_panel": None if stay.ended is None else stay.ended.late,
        "data": encode_stay(stay),
    }


def run_row(each: RunAt) -> Row:
    run = each.run
    return {
        "id": each.id,
        "line": each.line,
        "station": each.station,
        "order": run.order,
        "first_panel": run.since + 1,
        "last_panel": run.until,
        "at": run.at,
        "data": encode_run(run),
    }


def _journal_row(position: int, entries: Sequence[JournalEntry], term: int | None) -> Row:
    return {
        "first": position,
        "count": len(entries),
        "from_at": min(entry.at for entry in entries),
        "to_at": max(entry.at for entry in entries),
        "data": encode_journal(entries),
        "term": term,
    }


def _state_rows(states: Mapping[str, bytes | None]) -> list[tuple[str, bytes]]:
    """Sorted: the key's pages are visited in order, and locks are always taken in the same one."""
    return sorted((escape(key), data) for key, data in states.items() if data is not None)


def _notice_row(notice: Notice) -> Row:
    changed_at = from_rfc3339(notice.changed_at)
    closed_at = None
    if notice.state == NoticeState.CLOSED:
        closed_at = changed_at if notice.closed_at is None else from_rfc3339(notice.closed_at)
    return {
        "id": notice.id,
        "line": notice.line or "",
        "station": notice.station,
        "slot": notice.slot,
        "kind": notice.kind,
        "state": notice.state,
        "level": notice.level,
        "opened_at": from_rfc3339(notice.opened_at),
        "changed_at": changed_at,
        "closed_at": closed_at,
        "version": notice.version,
        "data": encode_notice(notice),
    }


def delivery_row(delivery: NewDelivery) -> Row:
    return {
        "key": delivery.key,
        "outlet": delivery.outlet,
        "conversation": delivery.conversation,
        "change": delivery.change,
        "notice_id": delivery.notice.id,
        "version": delivery.notice.version,
        "data": encode_notice(delivery.notice),
        "state": "waiting",
        "attempts": 0,
        "not_before": delivery.at,
        "created_at": delivery.at,
    }


def _refused_rows(refused: Sequence[Refused]) -> list[Row]:
    """One row for each (topic, reason, payload), with how often and when in this batch."""
    rows: dict[bytes, Row] = {}
    for message in refused:
        digest = _digest(message)
        row = rows.setdefault(digest, _refused_row(digest, message))
        row["times"] += 1
        row["first_seen"] = min(row["first_seen"], message.at)
        row["last_seen"] = max(row["last_seen"], message.at)
    return list(rows.values())


def _refused_row(digest: bytes, message: Refused) -> Row:
    return {
        "digest": digest,
        "topic": clean(message.topic),
        "reason": clean(message.reason),
        "payload": message.payload[:PAYLOAD_KEPT],
        "times": 0,
        "first_seen": message.at,
        "last_seen": message.at,
    }


def _digest(message: Refused) -> bytes:
    topic, reason = (text.encode("utf-8", "surrogatepass") for text in (message.topic, message.reason))
    sizes = f"{len(topic)} {len(reason)} ".encode()  # or "ab" + "c" would be "a" + "bc"
    return blake2b(b"".join((sizes, topic, reason, message.payload)), digest_size=32).digest()


def _digest_of(refused: Sequence[Row]) -> bytes:
    if not refused:
        return b""
    parts = sorted((row["digest"], row["times"], row["first_seen"], row["last_seen"]) for row in refused)
    return blake2b(repr(parts).encode(), digest_size=32).digest()
