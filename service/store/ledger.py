"""The writer's side: one commit is one transaction that moves the journal's end on and writes all the rest.

That first conditional update is the gate: it serializes writers, refuses a batch that isn't the next one, and
tells a repeat (after a commit whose answer was lost) from a new batch, so a commit may always be run again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sqlalchemy import Connection, delete, select, update

from service import crash
from service.domain.events import JournalEntry
from service.domain.lots import NOTHING
from service.domain.model import Instant
from service.ports import Batch, Snapshot
from service.store.asks import answer_all
from service.store.codec import decode_journal, decode_notice, encode_states
from service.store.database import Database
from service.store.prune import prune
from service.store.rows import Rows, rows_of
from service.store.statements import (
    add_deliveries,
    bound_refused,
    count_refused,
    from_entry,
    save_checkpoint,
    save_notices,
    save_runs,
    save_states,
    save_stays,
)
from service.store.tables import journal, journal_end, notice, state, stay, word


class SqlLedger:
    """``ports.Ledger`` on either database."""

    def __init__(self, database: Database, term: int | None = None) -> None:
        """``term``: of the lease it writes under, kept with each batch."""
        self._database = database
        self._term = term

    def load(self) -> Snapshot:
        return self._database.read(_load)

    def commit(self, batch: Batch) -> None:
        rows = rows_of(batch, self._term)  # encoded before anyone has to wait for this transaction
        self._database.write(lambda connection: _commit(connection, batch, rows))

    def save_checkpoint(self, position: int, at: Instant, states: Mapping[str, bytes]) -> None:
        row = {"position": position, "at": at, "data": encode_states(states)}
        self._database.write(lambda connection: save_checkpoint(connection, row))

    def prune(self, *, before: Instant, stays_before: Instant | None = None) -> int:
        return prune(self._database, before, stays_before)


def _load(connection: Connection) -> Snapshot:
    end = connection.execute(select(journal_end.c.position, journal_end.c.at)).one()
    states = connection.execute(select(state.c.key, state.c.data).order_by(state.c.key))
    open_notices = connection.execute(
        select(notice.c.data).where(notice.c.closed_at.is_(None)).order_by(notice.c.opened_at, notice.c.id)
    )
    return Snapshot(
        position=end.position,
        at=end.at,
        states={row.key: row.data for row in states},
        notices=[decode_notice(row.data) for row in open_notices],
    )


def _commit(connection: Connection, batch: Batch, rows: Rows) -> None:
    crash.point("tx_begin")
    if not _move_end(connection, rows):
        _require_stored(connection, batch, rows)
        return
    if rows.journal:
        connection.execute(journal.insert(), rows.journal)
    if rows.states:
        save_states(connection, rows.states)
    if rows.gone:
        connection.execute(delete(state).where(state.c.key.in_(rows.gone)))
    if rows.notices:
        save_notices(connection, rows.notices)
    if rows.deliveries:
        add_deliveries(connection, rows.deliveries)
    if batch.remembered is not NOTHING:
        _remember(connection, rows, batch.remembered.gone)
    _tell_others(connection, batch, rows)
    if rows.refused:
        count_refused(connection, rows.refused)
        bound_refused(connection)
    crash.point("before_commit")


def _tell_others(connection: Connection, batch: Batch, rows: Rows) -> None:
    if batch.word is not None:
        connection.execute(word.insert().values(at=rows.at, data=batch.word))
    if batch.answers:
        answer_all(connection, batch.answers)


def _remember(connection: Connection, rows: Rows, gone: Sequence[str]) -> None:
    if rows.stays:
        save_stays(connection, rows.stays)
    if rows.runs:
        save_runs(connection, rows.runs)
    if gone:
        connection.execute(delete(stay).where(stay.c.id.in_(gone)))


def _move_end(connection: Connection, rows: Rows) -> bool:
    """Whether the batch is the next one; then its end is the journal's."""
    step = update(journal_end).where(journal_end.c.position == rows.position)
    if rows.digest:
        step = step.where(journal_end.c.digest != rows.digest)
    end = {"position": rows.end, "digest": rows.digest, **({} if rows.at is None else {"at": rows.at})}
    return connection.execute(step.values(end)).rowcount == 1


def _require_stored(connection: Connection, batch: Batch, rows: Rows) -> None:
    """Raise ``ValueError`` unless this very batch was committed before."""
    end = connection.execute(select(journal_end.c.position, journal_end.c.digest)).one()
    if rows.journal is None and (end.position, end.digest) == (rows.position, rows.digest):
        return
    if rows.journal is not None and _stored(connection, rows.position, rows.end) == list(batch.journal):
        return
    raise ValueError(
        f"the batch holds entries {rows.position} to {rows.end}, the store's next entry is {end.position}: "
        "another writer was here, or entries were numbered wrongly"
    )


def _stored(connection: Connection, position: int, end: int) -> list[JournalEntry]:
    """The entries from ``position`` to before ``end``, as far as they are there."""
    found = connection.execute(
        select(journal.c.first, journal.c.data)
        .where(from_entry(position), journal.c.first < end)
        .order_by(journal.c.first)
    )
    return [
        entry
        for first, data in found
        for number, entry in enumerate(decode_journal(data), first)
        if position <= number < end
    ]
