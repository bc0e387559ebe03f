"""The memory of lots as it is shown: which supply was in which slot, which panels of which order it fed, and
which panels got a lot. Committed state only."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

import msgspec

from service.desk import Lookup
from service.domain.lots import Placed, RunAt
from service.domain.model import rfc3339_or_none
from service.domain.state import StationState, station_key
from service.domain.stays import Run, Span, Stay, spans
from service.ports import Lots, PanelRange, Sought

Json = dict[str, object]
Place = tuple[str, str]
Panels = tuple[int, int]
MOST_MERGED = 5000
"""Stays that the answer about panels is put together from; beyond them it says that there are more."""
_PIECE = 1000
_OPEN = 1 << 62
_stations = msgspec.msgpack.Decoder(StationState)


@dataclass(frozen=True, slots=True)
class Found:
    """A stay with the panels that it fed, as far as they are asked for."""

    placed: Placed
    spans: list[Span]
    used: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Lotbook:
    """``desk.LotReading`` over a store and the committed states."""

    lots: Lots
    committed: Callable[[], Mapping[str, bytes]]

    def stays(self, asked: Lookup) -> list[Json]:
        return [stay_object(found, asked.panel) for found in self._found(asked, asked.limit, asked.after)]

    def all_stays(self, asked: Lookup) -> Iterator[Json]:
        """All of them, read in pieces: no transaction stays open between two."""
        for found in self._all(asked):
            yield stay_object(found, asked.panel)

    def panels(self, asked: Lookup) -> Json:
        """Which panels got it, by line and order; each panel that surely did, and those that may have."""
        kept: list[Found] = []
        more = False
        for found in self._all(asked):
            if len(kept) == MOST_MERGED:
                more = True
                break
            kept.append(found)
        return {"orders": _orders(kept), "stays": len(kept), "more": more}

    def _all(self, asked: Lookup) -> Iterator[Found]:
        after = asked.after
        while True:
            rows = list(self._rows(asked, _PIECE, after))
            yield from self._with_panels(asked, rows)
            if len(rows) < _PIECE:
                return
            after = rows[-1].id

    def _found(self, asked: Lookup, limit: int, after: str | None) -> Iterator[Found]:
        """Of an order those alone that its panels are of; so a piece may be read for a few."""
        wanted = limit
        while wanted > 0:
            rows = self._rows(asked, limit, after)
            for found in self._with_panels(asked, rows):
                if wanted > 0:
                    yield found
                wanted -= 1
            if len(rows) < limit:
                return
            after = rows[-1].id

    def _rows(self, asked: Lookup, limit: int, after: str | None) -> Sequence[Placed]:
        word = asked.word.strip() if asked.word is not None else None
        sought = Sought(
            lot=asked.lot,
            part=asked.part,
            supply=asked.supply,
            word=() if word is None else tuple(dict.fromkeys((word, word.upper(), word.lower()))),
            line=asked.line,
            station=asked.station,
            slot=asked.slot,
            since=asked.since,
            until=asked.until,
        )
        if asked.order is not None:
            ranges = [_range(each, asked.panel) for each in self.lots.runs_of(asked.order)]
            sought = replace(sought, panels=[each for each in ranges if each is not None])
        return self.lots.stays(sought, limit=limit, after=after)

    def _with_panels(self, asked: Lookup, rows: Sequence[Placed]) -> Iterator[Found]:
        stations = {place: self._station(*place) for place in {(row.line, row.station) for row in rows}}
        runs: dict[Place, list[Run]] = {place: [] for place in stations}
        for each in self.lots.runs(_panels(rows)):
            runs[each.line, each.station].append(each.run)
        for row in rows:
            place = (row.line, row.station)
            mine, used = _spans(row, runs[place], stations[place])
            if asked.order is not None:
                mine = [span for span in mine if span.order == asked.order and _holds(span, asked.panel)]
                if not mine:
                    continue
            yield Found(row, mine, used)

    def _station(self, line: str, station: str) -> StationState | None:
        data = self.committed().get(station_key(line, station))
        return None if data is None else _stations.decode(data)


def _panels(rows: Sequence[Placed]) -> list[PanelRange]:
    """Those that any of the stays may have fed, in few stretches."""
    found: dict[Place, list[Panels]] = {}
    for row in rows:
        first, end = row.stay.first_panel, row.stay.ended
        if first is not None:
            last = _OPEN if end is None or end.late is None else end.late
            found.setdefault((row.line, row.station), []).append((first, max(first, last)))
    return [
        (*place, first, None if last == _OPEN else last)
        for place, ranges in sorted(found.items())
        for first, last in merged(ranges)
    ]


def _range(each: RunAt, panel: int | None) -> PanelRange | None:
    """The panels of a run, or the one of its order that is asked for; by the station's total."""
    first, last = each.run.since + 1, each.run.until
    if panel is not None:
        only = each.run.base + panel
        if only < first or (last is not None and only > last):
            return None
        first = last = only
    return each.line, each.station, first, last


def _spans(row: Placed, runs: Sequence[Run], station: StationState | None) -> tuple[list[Span], int | None]:
    """The panels it fed, and the parts that it gave so far."""
    stay, used = row.stay, row.stay.used
    slot = None if station is None else station.slots.get(row.slot)
    if slot is not None and stay.feeds:
        given = max(0, slot.used - stay.begun.used)
        used = given if used is None else min(used, given)
    if stay.ended is None and slot is not None and slot.used <= stay.begun.low:
        return [], used
    taken = 1 if slot is not None and slot.taken > 0 else 0
    progress = 0 if station is None else station.progress + taken
    return spans(row.slot, stay, _lived_through(stay, runs), progress), used


def _lived_through(stay: Stay, runs: Sequence[Run]) -> Sequence[Run]:
    """Of all runs in order those that it may have fed panels of: a page may show many short stays."""
    first, last = stay.first_panel, None if stay.ended is None else stay.ended.late
    if first is None:
        return []
    begin = max(0, bisect_left(runs, first, key=lambda run: run.since) - 1)
    end = len(runs) if last is None else bisect_left(runs, last, key=lambda run: run.since)
    return runs[begin:end]


def _holds(span: Span, panel: int | None) -> bool:
    return panel is None or span.possible[0] <= panel <= span.possible[1]


def stay_object(found: Found, panel: int | None = None) -> Json:
    placed, stay = found.placed, found.placed.stay
    over = not stay.feeds
    shown: Json = {
        "id": placed.id,
        "line": placed.line,
        "station": placed.station,
        "slot": placed.slot,
        "kind": stay.kind,
        "part": stay.part,
        "lot": stay.lot,
        "supply": stay.supply,
        "quantity": stay.quantity,
        "assumed": stay.assumed,
        "by": stay.by,
        "from": rfc3339_or_none(stay.begun.at),
        "to": rfc3339_or_none(stay.ended.at) if stay.ended is not None else None,
        "ended": stay.how if over else None,
        "ended_by": stay.ended_by if over else None,
        "waits": stay.begun.at is None and stay.loading != "first" and not over,
        "used": found.used,
        "panels": [span_object(span) for span in found.spans],
    }
    if panel is not None:
        shown["sure"] = any(
            span.sure is not None and span.sure[0] <= panel <= span.sure[1] for span in found.spans
        )
    return shown


def span_object(span: Span) -> Json:
    return {
        "order": span.order,
        "recipe": span.recipe,
        "start_seen": span.start_seen,
        "sure": None if span.sure is None else {"first": span.sure[0], "last": span.sure[1]},
        "possible": {"first": span.possible[0], "last": span.possible[1]},
    }


Key = tuple[str, str, str, str]
"""Line, order, recipe; where no order is known the station, whose own total the panels are of."""


def _orders(found: Iterable[Found]) -> list[Json]:
    pairs = [(_key(each, span), (each, span)) for each in found for span in each.spans]
    pairs.sort(key=lambda pair: pair[0])
    return [_order([pair[1] for pair in group]) for _, group in groupby(pairs, key=lambda pair: pair[0])]


def _key(found: Found, span: Span) -> Key:
    station = found.placed.station if span.order is None else ""
    return found.placed.line, span.order or "", span.recipe or "", station


def _order(members: list[tuple[Found, Span]]) -> Json:
    found, span = members[0]
    sure = merged(each.sure for _, each in members if each.sure is not None)
    possible = merged(each.possible for _, each in members)
    places = sorted({(each.placed.station, each.placed.slot) for each, _ in members})
    return {
        "line": found.placed.line,
        "order": span.order,
        "recipe": span.recipe,
        "station": None if span.order is not None else found.placed.station,
        "start_seen": all(each.start_seen for _, each in members),
        "slots": [{"station": station, "slot": slot} for station, slot in places],
        "sure": _ranges(sure),
        "possible": _ranges(without(possible, sure)),
    }


def _ranges(found: Iterable[Panels]) -> list[Json]:
    return [{"first": first, "last": last} for first, last in found]


def merged(ranges: Iterable[Panels]) -> list[Panels]:
    """The same panels in as few ranges as can be."""
    found: list[Panels] = []
    for first, last in sorted(ranges):
        if found and first <= found[-1][1] + 1:
            found[-1] = (found[-1][0], max(found[-1][1], last))
        else:
            found.append((first, last))
    return found


def without(ranges: Iterable[Panels], others: Sequence[Panels]) -> list[Panels]:
    """The panels of ``ranges`` that none of ``others``, which are apart and in order, has."""
    found: list[Panels] = []
    for first, last in ranges:
        at = first
        for low, high in others:
            if high < at or low > last:
                continue
            if low > at:
                found.append((at, low - 1))
            at = high + 1
        if at <= last:
            found.append((at, last))
    return found
