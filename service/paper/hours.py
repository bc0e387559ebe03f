"""The figures of hours as one sheet for other programs: a row for each hour of each station."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Iterator
from io import StringIO

from service.domain.hourly import LineHour, StationHour
from service.domain.lost import SUPPLIES
from service.domain.model import to_rfc3339
from service.paper.cells import cell

COLUMNS = (
    "begin",
    "line",
    "station",
    "panels",
    "placed",
    "lost",
    "worked_s",
    "stood_s",
    "stops",
    "line_lost_s",
    "line_lost_to_supplies_s",
)
"""``begin`` is RFC 3339 in UTC; ``panels``, ``placed`` and ``lost`` (parts) are empty where nobody knows;
what the line lost is that of its time which is put down to this station."""


def sheet_of_hours(hours: Iterable[LineHour]) -> Iterator[bytes]:
    """RFC 4180, UTF-8, with a head; cells that a spreadsheet would take for formulas are made harmless."""
    yield _row(COLUMNS)
    for hour in hours:
        for name, station in sorted(hour.stations.items()):
            yield _row([to_rfc3339(hour.begin), hour.line, name, *_figures(station)])


def _figures(station: StationHour) -> Iterator[object]:
    yield from (station.panels, station.placed, station.lost)
    yield station.worked_ms / 1000
    yield sum(station.stood_ms.values()) / 1000
    yield sum(station.stops.values())
    yield sum(station.cost_ms.values()) / 1000
    yield sum(station.cost_ms.get(cause, 0) for cause in SUPPLIES) / 1000


def _row(cells: Iterable[object]) -> bytes:
    into = StringIO()
    csv.writer(into, lineterminator="\r\n").writerow([cell(each) for each in cells])
    return into.getvalue().encode()
