"""Whether a line went by its plan: for each exchange that was planned, when it came.

A plan changes while it is kept; an exchange is held against the stop that it belonged to last before it
happened. One that was never reached in the time is still ahead.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import pairwise

from service.domain.model import Instant, PlannedStop
from service.domain.track import Cause, LineTrack, StationTrack, Stop, Supplied
from service.domain.warned import GONE, progress_at

NEAR = 1
"""Panels: an exchange so near to its stop was in it, because the count that says so may come after hands."""
_ENDED = frozenset({"finished", "withdrawn"})
Key = tuple[str, str, str]
"""Station, slot and loading."""


class Kept(StrEnum):
    """``dropped``: the plan gave it up, as when an order is withdrawn."""

    IN_IT = "in it"
    EARLIER = "earlier"
    LATER = "later"
    NEVER = "never"
    AHEAD = "ahead"
    DROPPED = "dropped"


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchange:
    """One planned exchange. ``planned_panel`` of the station at whose end its stop was; ``with_break`` and
    ``with_order``: it went with a break or a changeover; ``off``: panels after the stop, negative before;
    ``moved``: how often its stop was put elsewhere."""

    line: str
    station: str
    slot: str
    part: str | None
    kind: str | None
    planned_at: Instant
    planned_panel: int
    with_break: bool
    with_order: str | None
    moved: int
    kept: Kept
    exchanged_at: Instant | None = None
    off: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """``supply_stops``: stops for want of a supply, ``foreseen`` of them in slots that a plan had an exchange
    for when they began."""

    line: str
    plans: int
    exchanges: tuple[Exchange, ...] = ()
    supply_stops: int = 0
    foreseen: int = 0


@dataclass(slots=True)
class _Row:
    """What plans said of one exchange, from ``first`` until it left them (``None``: it never did)."""

    first: Instant
    stops: list[tuple[Instant, PlannedStop]] = field(default_factory=list)
    left: Instant | None = None


def plan_kept(line: LineTrack, until: Instant, stops: Iterable[Stop] = ()) -> Plan:
    rows = _rows(line)
    exchanges = [
        found for key, row in rows.items() if (found := _exchange(line, key, row, until)) is not None
    ]
    supply = {
        (each.station, each.since, each.slot) for each in stops if each.cause is Cause.SUPPLY and each.slot
    }
    foreseen = sum(
        any(key[:2] == (station, slot) and _is_in(row, since) for key, row in rows.items())
        for station, since, slot in supply
    )
    return Plan(
        line=line.line,
        plans=len(line.plans),
        exchanges=tuple(sorted(exchanges, key=lambda each: (each.planned_at, each.station, each.slot))),
        supply_stops=len(supply),
        foreseen=foreseen,
    )


def _is_in(row: _Row, at: Instant) -> bool:
    return row.first <= at and (row.left is None or at < row.left)


def _rows(line: LineTrack) -> dict[Key, _Row]:
    """By exchange, for the supplies that were loaded when it was planned."""
    rows: dict[Key, _Row] = {}
    for at, stops in line.plans:
        named = dict(_named(stops))
        for key, stop in named.items():
            row = rows.setdefault(key, _Row(at))
            row.left = None
            row.stops.append((at, stop))
        for key in rows.keys() - named.keys():
            if rows[key].left is None:
                rows[key].left = at
    return rows


def _named(stops: Iterable[PlannedStop]) -> Iterator[tuple[Key, PlannedStop]]:
    for stop in stops:
        for each in stop.exchanges:
            if each.emptying == 1 and each.station in stop.at:
                yield (each.station, each.slot, each.loading), stop


def _exchange(line: LineTrack, key: Key, row: _Row, until: Instant) -> Exchange | None:
    name, slot, _ = key
    station = line.stations.get(name)
    if station is None:
        return None
    done = next(
        (
            each
            for each in station.supplies
            if each.slot == slot and each.change in GONE and each.at > row.first
        ),
        None,
    )
    before = [stop for at, stop in row.stops if done is None or at <= done.at]
    stop = before[-1] if before else row.stops[0][1]
    planned, off = _off(line, station, stop, until if done is None else done.at)
    part, kind = _supply(station, slot, done)
    return Exchange(
        line=line.line,
        station=name,
        slot=slot,
        part=part,
        kind=kind,
        planned_at=row.first,
        planned_panel=planned,
        with_break=stop.rest is not None,
        with_order=stop.order,
        moved=_moved(before, name),
        kept=_kept(row, done, off),
        exchanged_at=None if done is None else done.at,
        off=None if done is None else off,
    )


def _off(line: LineTrack, station: StationTrack, stop: PlannedStop, at: Instant) -> tuple[int, int]:
    """The panel of the stop, and how many the station had made beyond it by then. A stop that goes with a
    break is where the station was when that began, one at a changeover where the order ended."""
    planned = stop.at[station.station]
    if stop.rest is not None and stop.rest <= at:
        planned = progress_at(station, stop.rest)
    elif stop.order is not None:
        ended = next(
            (each.at for each in line.orders if each.order == stop.order and each.state in _ENDED), None
        )
        if ended is not None and ended <= at:
            planned = progress_at(station, ended)
    return planned, progress_at(station, at) - planned


def _supply(station: StationTrack, slot: str, done: Supplied | None) -> tuple[str | None, str | None]:
    known = station.parts.get(slot, (None, None))
    return known if done is None else (done.part or known[0], done.kind or known[1])


def _moved(stops: Sequence[PlannedStop], station: str) -> int:
    """Of plans that follow one another those that had it at another panel, break or changeover."""
    places = [
        (stop.rest, stop.order) if stop.rest is not None or stop.order is not None else (stop.at[station],)
        for stop in stops
    ]
    return sum(one != other for one, other in pairwise(places))


def _kept(row: _Row, done: Supplied | None, off: int) -> Kept:
    if done is None:
        if row.left is not None:
            return Kept.DROPPED
        return Kept.NEVER if off > NEAR else Kept.AHEAD
    if abs(off) <= NEAR:
        return Kept.IN_IT
    return Kept.EARLIER if off < 0 else Kept.LATER
