"""The memory of lots, read: which supply was in which slot, and which order a station's panels were of."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from sqlalchemy import ColumnElement, Row, Select, Table, and_, or_, select, tuple_

from service.domain.lots import Placed, RunAt
from service.ports import PanelRange, Sought
from service.store.codec import decode_run, decode_stay
from service.store.database import Database
from service.store.tables import run, stay

_AT_ONCE = 100
"""Stretches of panels asked for in one statement."""


class SqlLots:
    """``ports.Lots`` on either database."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def stays(self, sought: Sought, *, limit: int, after: str | None = None) -> list[Placed]:
        # Of panels few rows fit, anywhere in time: told to read along the time, a planner reads all of it.
        since = stay.c.since if sought.panels is None else stay.c.since + 0
        wanted = (
            select(stay.c.id, stay.c.line, stay.c.station, stay.c.slot, stay.c.data)
            .where(*_fitting(sought), *_behind(after))
            .order_by(since.desc(), stay.c.id.desc())
            .limit(limit)
        )
        return [_placed(row) for row in self._rows(wanted)]

    def runs(self, panels: Sequence[PanelRange]) -> list[RunAt]:
        found: list[RunAt] = []
        for begin in range(0, len(panels), _AT_ONCE):
            some = panels[begin : begin + _AT_ONCE]
            wanted = select(run).where(or_(*(_overlapping(run, *each) for each in some)))
            found += [_run(row) for row in self._rows(wanted)]
        unlike = {each.id: each for each in found}
        return sorted(unlike.values(), key=lambda each: (each.line, each.station, each.run.since))

    def runs_of(self, order: str) -> list[RunAt]:
        wanted = select(run).where(run.c.order == order).order_by(run.c.at, run.c.id)
        return [_run(row) for row in self._rows(wanted)]

    def _rows(self, wanted: Select[Any]) -> Sequence[Row[Any]]:
        return self._database.read(lambda connection: connection.execute(wanted).all())


def _fitting(sought: Sought) -> Iterator[ColumnElement[bool]]:
    for name in ("lot", "part", "supply", "line", "station", "slot"):
        said = getattr(sought, name)
        if said is not None:
            yield stay.c[name] == said
    if sought.word:
        yield or_(*(stay.c[name].in_(sought.word) for name in ("lot", "part", "supply")))
    if sought.panels is not None:
        yield or_(False, *(_overlapping(stay, *each) for each in sought.panels))
    if sought.since is not None:
        yield or_(stay.c.to_at.is_(None), stay.c.to_at >= sought.since)
    if sought.until is not None:
        yield stay.c.since <= sought.until


def _overlapping(table: Table, line: str, station: str, first: int, last: int | None) -> ColumnElement[bool]:
    """Each way with all of its conditions, so that each can be read along the index."""
    begun = table.c.first_panel.is_not(None) if last is None else table.c.first_panel <= last
    there = table.c.line == line, table.c.station == station, begun
    return or_(and_(*there, table.c.last_panel.is_(None)), and_(*there, table.c.last_panel >= first))


def _behind(after: str | None) -> Iterator[ColumnElement[bool]]:
    if after is not None:
        last = select(stay.c.since, stay.c.id).where(stay.c.id == after).scalar_subquery()
        yield tuple_(stay.c.since, stay.c.id) < last


def _placed(row: Row[Any]) -> Placed:
    return Placed(id=row.id, line=row.line, station=row.station, slot=row.slot, stay=decode_stay(row.data))


def _run(row: Row[Any]) -> RunAt:
    return RunAt(id=row.id, line=row.line, station=row.station, run=decode_run(row.data))
