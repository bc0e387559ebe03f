"""The reading side: committed state only, one snapshot a call, never in the writer's way."""

from __future__ import annotations

import codecs
from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, Select, Text, and_, literal, not_, select, tuple_

from service.domain.events import JournalEntry
from service.domain.model import Instant, Notice, NoticeState
from service.ports import RefusedRow
from service.store.codec import after_prefix, decode_journal, decode_notice, decode_states, escape
from service.store.database import Database
from service.store.rows import PAYLOAD_KEPT
from service.store.schema import found_revision
from service.store.statements import from_entry
from service.store.tables import checkpoint, journal, journal_end, notice, refused, state

_BATCHES = 16
"""Journal batches read at a time: some 3,000 entries, a few megabytes when unpacked."""


class SqlArchive:
    """``ports.Archive`` on either database. ``revision`` is the one that counts as healthy."""

    def __init__(self, database: Database, revision: str) -> None:
        self._database = database
        self._revision = revision

    def states(self, prefix: str, *, but: str | None = None) -> Mapping[str, bytes]:
        wanted = select(state.c.key, state.c.data).where(*_beginning_with(prefix)).order_by(state.c.key)
        if but is not None:
            wanted = wanted.where(not_(and_(*_beginning_with(but))))
        return {row.key: row.data for row in self._rows(wanted)}

    def notices(
        self,
        *,
        states: Sequence[str] | None,
        limit: int,
        after: str | None,
        place: Mapping[str, str] | None = None,
    ) -> list[Notice]:
        there = [notice.c[key] == name for key, name in (place or {}).items()]
        wanted = (
            select(notice.c.data)
            .where(*_in_states(states), *there, *_behind(after, notice.c.opened_at, notice.c.id))
            .order_by(notice.c.opened_at.desc(), notice.c.id.desc())
            .limit(limit)
        )
        return [decode_notice(row.data) for row in self._rows(wanted)]

    def notice(self, notice_id: str) -> Notice | None:
        found = self._rows(select(notice.c.data).where(notice.c.id == notice_id))
        return decode_notice(found[0].data) if found else None

    def refused(self, *, limit: int, after: int | None) -> list[RefusedRow]:
        wanted = (
            select(refused)
            .where(*_behind(after, refused.c.last_seen, refused.c.id))
            .order_by(refused.c.last_seen.desc(), refused.c.id.desc())
            .limit(limit)
        )
        return [_refused_row(row) for row in self._rows(wanted)]

    def journal(self, *, position: int, to: Instant | None = None) -> Iterator[tuple[int, JournalEntry]]:
        while batches := self._database.read(partial(_some_batches, position=position)):
            for batch in batches:
                for number, entry in enumerate(decode_journal(batch.data), batch.first):
                    if number < position:
                        continue
                    if to is not None and entry.at > to:
                        return
                    yield number, entry
            position = batches[-1].first + batches[-1].count

    def position(self) -> int:
        return int(self._rows(select(journal_end.c.position))[0].position)

    def open_notices(self) -> Mapping[str, int]:
        wanted = select(notice.c.id, notice.c.version).where(notice.c.closed_at.is_(None))
        return {row.id: row.version for row in self._rows(wanted)}

    def checkpoint(self, *, at: Instant | None) -> tuple[int, Instant, Mapping[str, bytes]] | None:
        time, place = checkpoint.c.at, checkpoint.c.position
        if at is None:
            wanted = select(checkpoint).order_by(time, place)
        else:
            wanted = select(checkpoint).where(time <= at).order_by(time.desc(), place.desc())
        found = self._rows(wanted.limit(1))
        return (found[0].position, found[0].at, decode_states(found[0].data)) if found else None

    def healthy(self) -> bool:
        try:
            return self._database.read(found_revision) == self._revision
        except Exception:  # whatever it is, the store isn't healthy, and that is all this answers
            return False

    def _rows(self, wanted: Select[Any]) -> Sequence[Row[Any]]:
        return self._database.read(lambda connection: connection.execute(wanted).all())


def _beginning_with(prefix: str) -> Iterator[ColumnElement[bool]]:
    # A range instead of LIKE: it has no special characters, minds case and reads only these keys.
    stored = escape(prefix)
    yield state.c.key >= literal(stored, Text())
    beyond = after_prefix(stored)
    if beyond is not None:
        yield state.c.key < literal(beyond, Text())


def _in_states(states: Sequence[str] | None) -> Iterator[ColumnElement[bool]]:
    if states is not None:
        yield notice.c.state.in_(states)
    if states is None or NoticeState.CLOSED not in states:
        yield notice.c.closed_at.is_(None)


def _behind(after: object, time: Any, key: Any) -> Iterator[ColumnElement[bool]]:
    """Older than row ``after`` in (``time``, ``key``); nothing is behind a row that is gone."""
    if after is not None:
        last = select(time, key).where(key == after).scalar_subquery()
        yield tuple_(time, key) < last


def _some_batches(connection: Connection, *, position: int) -> Sequence[Row[int, int, bytes]]:
    wanted = (
        select(journal.c.first, journal.c.count, journal.c.data)
        .where(from_entry(position), journal.c.first + journal.c.count > position)
        .order_by(journal.c.first)
        .limit(_BATCHES)
    )
    return connection.execute(wanted).all()


def _refused_row(row: Row[Any]) -> RefusedRow:
    cut = len(row.payload) == PAYLOAD_KEPT
    # Cut inside a character, the rest of it is left out instead of shown as an error.
    text = codecs.getincrementaldecoder("utf-8")("replace").decode(row.payload, final=not cut)
    return RefusedRow(
        id=row.id,
        topic=row.topic,
        reason=row.reason,
        payload=text,
        times=row.times,
        first_seen=row.first_seen,
        last_seen=row.last_seen,
    )
