"""Deliveries that wait: who may send what now, and how it ended.

    waiting ─claim─▶ sending ─settle─▶ sent | dead | waiting (again, later)
       └─ told by an earlier one of its conversation ─▶ replaced        dead ─again─▶ waiting

Every step is a conditional update; no row changed is an answer, not an error. The number of attempts is the
fencing token: whoever lost the lease finds another number there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, fields
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Row,
    Select,
    TextClause,
    and_,
    bindparam,
    exists,
    func,
    or_,
    select,
    tuple_,
    union_all,
    update,
)

from service.crash import point
from service.domain.backoff import LONGEST_ASKED
from service.domain.model import SECOND, Change, Instant, Level, NoticeState
from service.domain.traffic import Traffic
from service.outgoing import DeliveryRow, DeliveryState, NotDead
from service.ports import Delivery, NewDelivery, Settled
from service.store.codec import clean, decode_notice
from service.store.database import Database
from service.store.rows import delivery_row
from service.store.statements import add_deliveries, save_traffic
from service.store.tables import dead, notice, outbox, traffic
from service.usecases.deliver import telling

_ERROR_KEPT = 1000
"""Characters of an error that are kept: receivers may answer with whole pages."""

_LONGEST_WAIT = round(LONGEST_ASKED * SECOND)
_TRAFFIC = [field.name for field in fields(Traffic)]

_OVER = {"sent", "replaced"}
"""How a row ends that takes what waits behind it along."""
_End = tuple[Delivery, Settled, dict[str, Any]]

_earlier = outbox.alias("earlier")
_unsettled = outbox.c.settled_at.is_(None)
_first_of_conversation = ~exists().where(
    _earlier.c.conversation == outbox.c.conversation,
    _earlier.c.id < outbox.c.id,
    _earlier.c.settled_at.is_(None),
)
_soonest = outbox.c.not_before, outbox.c.id
_waits = outbox.c.state == "waiting"
_presses = and_(notice.c.state == NoticeState.OPEN.value, notice.c.level != Level.EARLY.value)


class SqlOutbox:
    """``ports.Outbox`` on either database."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def add(self, deliveries: Sequence[NewDelivery]) -> None:
        rows = [delivery_row(each) for each in deliveries]
        self._database.write(lambda connection: add_deliveries(connection, rows))

    def claim(
        self,
        *,
        owner: str,
        now: Instant,
        lease_until: Instant,
        limit: int,
        outlet: str | None = None,
        since: Instant | None = None,
        bundle: bool = False,
        tried: bool | None = None,
        pressing: bool = False,
    ) -> list[Delivery]:
        # A claim whose answer was lost runs again and takes others; those come back when their lease ends.
        due = heads = _heads(outlet, since, tried)
        due = due.where(outbox.c.not_before <= now)
        these = heads.where(or_(outbox.c.not_before <= now, _waits)) if bundle else due
        why = due.where(_presses) if pressing else due
        # Mostly nothing is due; finding that out needn't queue behind the writer.
        if not self._database.read(lambda connection: connection.execute(why.limit(1)).all()):
            return []
        these = these.limit(limit)
        claimed = self._database.write(lambda connection: _claim(connection, these, owner, now, lease_until))
        point("claim_after_commit")
        return claimed

    def take_back(self, *, owner: str, now: Instant) -> None:
        mine = and_(outbox.c.state == "sending", outbox.c.lease_owner == owner, outbox.c.not_before > now)
        astray = outbox.c.not_before > now + _LONGEST_WAIT
        held = update(outbox).where(_unsettled, or_(mine, astray)).values(not_before=now)
        self._database.write(lambda connection: connection.execute(held).rowcount)

    def due(self, *, now: Instant) -> list[str]:
        due = select(outbox.c.outlet).where(_unsettled, outbox.c.not_before <= now).distinct()
        return list(self._database.read(lambda connection: connection.execute(due).scalars().all()))

    def settle(self, delivery: Delivery, *, owner: str, settled: Settled) -> bool:
        values = _ending(delivery, settled)
        return self._database.write(lambda connection: _settle(connection, delivery, owner, settled, values))

    def settle_all(self, ends: Sequence[tuple[Delivery, Settled]], *, owner: str) -> list[bool]:
        rows = [(delivery, settled, _ending(delivery, settled)) for delivery, settled in ends]
        return self._database.write(lambda connection: _settle_all(connection, rows, owner))

    def next_due(self, *, after: Instant | None = None) -> Instant | None:
        """Only the first row of a conversation counts: those behind it can't be claimed, due or not."""
        soonest = select(outbox.c.not_before).where(_unsettled, _first_of_conversation)
        if after is not None:
            soonest = soonest.where(outbox.c.not_before > after)
        return self._database.read(
            lambda connection: connection.execute(soonest.order_by(*_soonest).limit(1)).scalar_one_or_none()
        )

    def backlog(self) -> Mapping[tuple[str, str], int]:
        rows = self._database.read(lambda connection: connection.execute(_BACKLOG).all())
        return {(outlet, state): count for outlet, state, count in rows}

    def traffic(self) -> Mapping[str, Traffic]:
        rows = self._database.read(lambda connection: connection.execute(select(traffic)).mappings().all())
        return {row["outlet"]: Traffic(**{name: row[name] for name in _TRAFFIC}) for row in rows}

    def remember(self, outlet: str, traffic: Traffic) -> None:
        row = _kept(outlet, traffic)
        self._database.write(lambda connection: save_traffic(connection, row))

    def deliveries(self, *, state: DeliveryState | None, limit: int, after: int | None) -> list[DeliveryRow]:
        # By when they were made, so that those of several shards are listed together.
        found = select(outbox).order_by(outbox.c.created_at.desc(), outbox.c.id.desc()).limit(limit)
        if state is not None:
            found = found.where(dead if state == "dead" else outbox.c.state == state)
        if state in {"waiting", "sending"}:
            found = found.where(_unsettled)
        if after is not None:
            last = select(outbox.c.created_at, outbox.c.id).where(outbox.c.id == after).scalar_subquery()
            found = found.where(tuple_(outbox.c.created_at, outbox.c.id) < last)
        return [_row(row) for row in self._database.read(lambda connection: connection.execute(found).all())]

    def delivery(self, delivery_id: int) -> DeliveryRow | None:
        found = select(outbox).where(outbox.c.id == delivery_id)
        row = self._database.read(lambda connection: connection.execute(found).first())
        return None if row is None else _row(row)

    def again(self, delivery_id: int, *, now: Instant) -> DeliveryRow:
        return self._database.write(lambda connection: _again(connection, delivery_id, now))


def _counted(condition: ColumnElement[bool] | TextClause) -> Select[Any]:
    by = outbox.c.outlet, outbox.c.state
    return select(*by, func.count()).where(condition).group_by(*by)


_BACKLOG = union_all(_counted(_unsettled), _counted(dead))


def _heads(outlet: str | None, since: Instant | None, tried: bool | None) -> Select[Any]:
    """Longest due first, so that what can't be delivered, tried again and again, doesn't starve the rest."""
    heads = (
        select(outbox, notice.c.version.label("latest_version"), notice.c.data.label("latest"))
        .outerjoin(notice, notice.c.id == outbox.c.notice_id)
        .where(_unsettled, _first_of_conversation)
        .order_by(*_soonest)
    )
    if outlet is not None:
        heads = heads.where(outbox.c.outlet == outlet)
    if since is not None:
        heads = heads.where(outbox.c.attempts == 0, outbox.c.created_at >= since)
    if tried is not None:
        heads = heads.where(outbox.c.attempts > 0 if tried else outbox.c.attempts == 0)
    return heads


def _claim(
    connection: Connection, due: Select[Any], owner: str, now: Instant, lease_until: Instant
) -> list[Delivery]:
    rows = connection.execute(due.with_for_update(of=outbox, skip_locked=True)).all()
    claimed = [_delivery(row, now) for row in rows]
    taken = {
        "state": "sending",
        "attempts": outbox.c.attempts + 1,
        "not_before": lease_until,
        "lease_owner": owner,
        "tried": func.coalesce(outbox.c.tried, bindparam("told")),
    }
    if claimed:
        told = [{"claimed": each.id, "told": telling(each).notice.version} for each in claimed]
        connection.execute(update(outbox).where(outbox.c.id == bindparam("claimed")).values(taken), told)
    point("claim_before_commit")
    return claimed


def _delivery(row: Row[Any], now: Instant) -> Delivery:
    newer = row.latest_version is not None and row.latest_version > row.version
    return Delivery(
        id=row.id,
        key=row.key,
        outlet=row.outlet,
        conversation=row.conversation,
        change=Change(row.change),
        notice=decode_notice(row.data),
        latest=decode_notice(row.latest) if newer else None,
        attempts=row.attempts + 1,
        created_at=row.created_at,
        claimed_at=now,
        tried=row.tried,
    )


def _ending(delivery: Delivery, settled: Settled) -> dict[str, Any]:
    error = _short(settled.error)
    if settled.state != "waiting":
        return {"state": settled.state, "settled_at": settled.at, "error": error}
    if settled.not_before is None:
        raise ValueError(f"delivery {delivery.key} waits again, but until when isn't said")
    waits: dict[str, Any] = {"state": "waiting", "not_before": settled.not_before, "error": error}
    return waits | {"tried": None} if settled.untouched and delivery.tried is None else waits


def _short(error: str | None) -> str | None:
    return None if error is None else clean(error)[:_ERROR_KEPT]


def _settle(
    connection: Connection, delivery: Delivery, owner: str, settled: Settled, values: dict[str, Any]
) -> bool:
    mine = (outbox.c.id == delivery.id, outbox.c.lease_owner == owner, outbox.c.attempts == delivery.attempts)
    ended = update(outbox).where(*mine, outbox.c.state == "sending").values(values)
    if connection.execute(ended).rowcount == 0:
        # Perhaps this very ending is there already, committed by a run whose answer was lost.
        same = [outbox.c[name].is_not_distinct_from(value) for name, value in values.items()]
        return connection.execute(select(outbox.c.id).where(*mine, *same)).first() is not None
    if settled.state in _OVER:
        _replace_told(connection, [(delivery, settled)])
    if settled.traffic is not None:
        save_traffic(connection, _kept(delivery.outlet, settled.traffic))
    return True


def _kept(outlet: str, known: Traffic) -> dict[str, Any]:
    return asdict(known) | {"outlet": outlet, "error": _short(known.error)}


def _settle_all(connection: Connection, ends: Sequence[_End], owner: str) -> list[bool]:
    """Few statements for many rows: others wait for the store meanwhile."""
    rows = outbox.c.id.in_([delivery.id for delivery, _, _ in ends])
    mine = rows, outbox.c.lease_owner == owner, outbox.c.state == "sending"
    held = select(outbox.c.id, outbox.c.attempts).where(*mine).with_for_update()
    attempts = {row.id: row.attempts for row in connection.execute(held)}
    ours = [end for end in ends if attempts.get(end[0].id) == end[0].attempts]
    for names in {tuple(values) for _, _, values in ours}:
        set_: dict[str, Any] = {name: bindparam(f"new_{name}") for name in names}
        ended = update(outbox).where(outbox.c.id == bindparam("row")).values(set_)
        connection.execute(ended, [_named(end) for end in ours if tuple(end[2]) == names])
    told = [(delivery, settled) for delivery, settled, _ in ours if settled.state in _OVER]
    if told:
        _replace_told(connection, told)
    for delivery, settled, _ in ours:
        if settled.traffic is not None:
            save_traffic(connection, _kept(delivery.outlet, settled.traffic))
    # Of the others it may be that this very ending is there already.
    known = {delivery.id for delivery, _, _ in ours}
    return [end[0].id in known or _settle(connection, end[0], owner, end[1], end[2]) for end in ends]


def _named(end: _End) -> dict[str, Any]:
    delivery, _, values = end
    return {"row": delivery.id, **{f"new_{name}": value for name, value in values.items()}}


def _replace_told(connection: Connection, told: Sequence[tuple[Delivery, Settled]]) -> None:
    """What waits behind them and tells no newer version."""
    behind = update(outbox).where(
        outbox.c.conversation == bindparam("told_conversation"),
        _unsettled,
        _waits,
        outbox.c.version <= bindparam("told_version"),
    )
    connection.execute(
        behind.values(state="replaced", settled_at=bindparam("told_at")),
        [
            {
                "told_conversation": delivery.conversation,
                "told_version": settled.covers,
                "told_at": settled.at,
            }
            for delivery, settled in told
        ],
    )


def _again(connection: Connection, delivery_id: int, now: Instant) -> DeliveryRow:
    this = outbox.c.id == delivery_id
    waits = {"state": "waiting", "not_before": now, "settled_at": None}
    found = connection.execute(update(outbox).where(this, dead).values(waits)).rowcount
    row = connection.execute(select(outbox).where(this)).first()
    if row is None:
        raise KeyError(delivery_id)
    if not found:
        raise NotDead(_row(row))
    return _row(row)


def _row(row: Row[Any]) -> DeliveryRow:
    return DeliveryRow(
        id=row.id,
        outlet=row.outlet,
        notice=row.notice_id,
        change=Change(row.change),
        version=row.version,
        state=row.state,
        attempts=row.attempts,
        error=row.error,
        created_at=row.created_at,
        next_try=row.not_before if row.state == "waiting" else None,
        settled_at=row.settled_at,
    )
