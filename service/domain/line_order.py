"""In which order panels pass the stations of a line.

Nobody says it: a line that fills after it ran empty shows it, because the first panel comes to the first
station first. Where that was never seen the names have to do.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations

from service.domain.model import Instant
from service.domain.track import LineTrack, StationTrack

_NUMBERS = re.compile(r"(\d+)")


def line_order(track: LineTrack, wanted: Sequence[str] = ()) -> list[str]:
    """First upstream. ``wanted``: as configured; stations it doesn't name come after those it does."""
    named = [name for name in wanted if name in track.stations]
    rest = {name: each for name, each in track.stations.items() if name not in named}
    return [*named, *_seen(track, rest)]


def _seen(track: LineTrack, stations: Mapping[str, StationTrack]) -> list[str]:
    votes = _votes(track, stations)
    names = sorted(stations, key=_natural)
    ahead = {
        name: sum(votes[name, other] > votes[other, name] for other in names if other != name)
        for name in names
    }
    return sorted(names, key=lambda name: -ahead[name])


def _natural(name: str) -> tuple[tuple[int, str], ...]:
    """``P2`` before ``P10``."""
    parts = _NUMBERS.split(name)
    return tuple((int(part), "") if part.isdecimal() else (0, part) for part in parts)


def _votes(track: LineTrack, stations: Mapping[str, StationTrack]) -> dict[tuple[str, str], int]:
    """How often the one station made its first panel before the other, when the line filled."""
    votes = {(one, other): 0 for one in stations for other in stations if one != other}
    for begin in _fillings(track):
        first = {name: at for name, each in stations.items() if (at := _first_panel(each, begin)) is not None}
        for one, other in combinations(first, 2):
            if first[one] != first[other]:
                votes[(one, other) if first[one] < first[other] else (other, one)] += 1
    return votes


def _fillings(track: LineTrack) -> Iterator[Instant]:
    """When an order began after none had run: the line was empty."""
    running: str | None = None
    for each in track.orders:
        if each.state == "running":
            if running is None:
                yield each.at
            running = each.order
        elif each.order == running:
            running = None


def _first_panel(station: StationTrack, begin: Instant) -> Instant | None:
    progress = station.progress
    for row in station.counts:
        if row.panels > progress and row.at > begin:
            return row.at
        progress = row.panels
    return None
