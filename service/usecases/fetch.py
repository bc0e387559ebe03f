"""What to fetch for a line until a moment, by part: for the orders that run and that are queued, what must be
there by when, what stands ready of it, and where that isn't known.

The first supply of a slot must be there when the forecast says that it may be empty, a panel in hand, or when
the plan wants it; the later ones as full supplies last.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from service.domain import fetch
from service.domain.fetch import Due, Unknown
from service.domain.model import SECOND, Instant, from_rfc3339, rfc3339_or_none, to_rfc3339
from service.domain.needs import Needed, NotKnown, needs_of, places_of
from service.domain.ready import stands_ready, ticks_of
from service.domain.state import LineState, Ready
from service.domain.world import World

Json = dict[str, object]
HOUR: Instant = 3600 * SECOND
WITHOUT_SHIFTS: Instant = 8 * HOUR
Planned = Mapping[tuple[str, str], Sequence[tuple[int | None, Instant | None]]]
"""By station and slot at which boundaries and when the plan wants its next supplies."""


@dataclass(frozen=True, slots=True)
class _Row:
    """The supplies of one part, soonest first; ``name`` is the part, or the slot where nobody knows it."""

    name: str
    part: str | None
    kind: str | None
    needed: list[Needed]
    ready: int


def fetch_object(
    world: World, line: str, *, at: Instant, until: Instant, ends: Instant | None, planned: Planned
) -> Json:
    """What to fetch from ``at`` until then; ``ends``: when the shift does, if one runs."""
    needed: list[Needed] = []
    doubts: list[NotKnown] = []
    for place in places_of(world, line):
        found = list(needs_of(world.line(line), place, until))
        mine = [each for each in found if isinstance(each, Needed)]
        needed += _as_planned(mine, planned)
        doubts += [each for each in found if isinstance(each, NotKnown)]
    rows = _rows(world.line(line), needed)
    return {
        "line": line,
        "at": to_rfc3339(at),
        "until": to_rfc3339(until),
        "shift_ends": rfc3339_or_none(ends),
        "walks": _walks(rows),
        "parts": [_row_object(world.line(line), row) for row in rows],
        "unknown": _unknown(doubts),
    }


def span(
    shift: tuple[Instant, Instant] | None, at: Instant, *, until: Instant | None, hours: float | None
) -> Instant:
    """Until when to look: as asked, else to the end of the shift that runs, else eight hours."""
    if until is not None:
        return until
    if hours is not None:
        return at + round(hours * HOUR)
    return at + WITHOUT_SHIFTS if shift is None else shift[1]


def ready_object(line: LineState, part: str, kind: str | None) -> Json:
    ticks = ticks_of(line, part, kind)
    return {
        "line": line.line,
        "part": part,
        "kind": kind,
        "ready": stands_ready(line, part, kind),
        "ticked": _tick(ticks),
    }


def planned_in(plan: Mapping[str, Any]) -> Planned:
    """What a plan object says of each slot that it exchanges."""
    found: dict[tuple[str, str], list[tuple[int | None, Instant | None]]] = {}
    for stop in plan["stops"]:
        for each in stop["exchanges"]:
            moment = stop["panels"], _moment(stop["at"])
            found.setdefault((each["station"], each["slot"]), []).append(moment)
    for job in plan["meanwhile"]:
        moment = job["by_panels"], _moment(job["by"])
        found.setdefault((job["station"], job["slot"]), []).append(moment)
    return found


def _as_planned(mine: Sequence[Needed], planned: Planned) -> Iterator[Needed]:
    """The supplies of a slot, in their order, must be there when the plan wants them."""
    place = mine[0].place if mine else None
    wanted = iter(planned.get((place.station.station, place.slot.name), ()) if place else ())
    for each in mine:
        panels, by = (None, None) if each.new else next(wanted, (None, None))
        sooner = by is not None and (each.by is None or by < each.by)
        yield replace(each, panels=panels, by=by) if sooner else each


def _rows(line: LineState, needed: Sequence[Needed]) -> list[_Row]:
    kinds = {each.part: each.place.kind for each in needed if each.place.kind is not None}
    wanted: dict[tuple[str, str | None], list[Needed]] = {}
    for each in sorted(needed, key=_soonest):
        name = each.part or f"{each.place.station.station} {each.place.slot.name}"
        wanted.setdefault((name, each.place.kind or kinds.get(each.part)), []).append(each)
    rows = [
        _Row(name, mine[0].part, kind, mine, _ready(line, mine[0].part, kind))
        for (name, kind), mine in wanted.items()
    ]
    left_over = [each for each in line.ready if not any(_is_of(row, each.part, each.kind) for row in rows)]
    rows += [_Row(each.part, each.part, each.kind, [], each.supplies) for each in left_over]
    return sorted(rows, key=lambda row: (_is_there(row), *_first_missing(row)))


def _ready(line: LineState, part: str | None, kind: str | None) -> int:
    return 0 if part is None else stands_ready(line, part, kind)


def _is_of(row: _Row, part: str, kind: str | None) -> bool:
    return row.part == part and (row.kind is None or kind in (None, row.kind))


def _soonest(each: Needed) -> tuple[bool, Instant, str, str]:
    return each.by is None, each.by or 0, each.place.station.station, each.place.slot.name


def _is_there(row: _Row) -> bool:
    return len(row.needed) <= row.ready


def _first_missing(row: _Row) -> tuple[bool, Instant, str]:
    rest = row.needed[row.ready :] or row.needed
    return (rest[0].by is None, rest[0].by or 0, row.name) if rest else (True, 0, row.name)


def _walks(rows: Sequence[_Row]) -> list[Json]:
    dues = [Due(row.name, row.kind, each.by) for row in rows for each in row.needed[row.ready :]]
    parts = {(row.name, row.kind): row.part for row in rows}
    return [
        {
            "by": rfc3339_or_none(walk[0].by),
            "items": [
                {"part": parts[name, kind], "kind": kind, "supplies": supplies, "for": name}
                for name, kind, supplies in fetch.by_part(walk)
            ],
        }
        for walk in fetch.walks(dues)
    ]


def _row_object(line: LineState, row: _Row) -> Json:
    ticks = [] if row.part is None else ticks_of(line, row.part, row.kind)
    missing = row.needed[row.ready :]
    first = next(iter(missing or row.needed), None)
    return {
        "part": row.part,
        "kind": row.kind,
        "supplies": len(row.needed),
        "at_least": any(each.at_least for each in row.needed),
        "ready": row.ready,
        "missing": len(missing),
        "by": None if first is None else rfc3339_or_none(first.by),
        "ticked": _tick(ticks),
        "for": [_needed_object(each) for each in row.needed],
    }


def _tick(ticks: Sequence[Ready]) -> Json | None:
    return {"by": ticks[0].by, "at": to_rfc3339(ticks[0].at)} if ticks else None


def _needed_object(each: Needed) -> Json:
    return {
        "station": each.place.station.station,
        "slot": each.place.slot.name,
        "order": each.order,
        "changeover": each.new,
        "panels": each.panels,
        "by": rfc3339_or_none(each.by),
        "boundary_only": each.place.is_boundary_only,
    }


def _unknown(doubts: Sequence[NotKnown]) -> list[Json]:
    """Of a recipe that isn't known the stations, else the slots."""
    named: dict[tuple[str | None, ...], None] = {}
    for each in doubts:
        station, slot = each.place.station.station, each.place.slot.name
        place = (station, None, None) if each.why is Unknown.RECIPE else (station, slot, each.part)
        named[each.why.value, each.order, *place] = None
    keys = ("why", "order", "station", "slot", "part")
    return [dict(zip(keys, each, strict=True)) for each in sorted(named, key=str)]


def _moment(text: str | None) -> Instant | None:
    return None if text is None else from_rfc3339(text)
