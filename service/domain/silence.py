"""Stations that fell silent: whose gateway says it is gone, or whose counts stopped though nothing says why.

Decides since when a station is silent and from when on that is worth a notice. Whether we could have heard it
is for whoever calls: what isn't heard while we are away is nobody's silence."""

from __future__ import annotations

from collections.abc import Iterator

from service.domain import standing
from service.domain.judge import takt_of
from service.domain.model import SECOND, Instant, to_rfc3339
from service.domain.notices import Told
from service.domain.said import Said
from service.domain.state import Order, StationState
from service.domain.tower import Reading
from service.domain.world import World

KIND = "silent"
SHORTEST = 120 * SECOND
"""A gateway that starts again is back within two minutes; telling of it helps nobody."""
TAKTS = 5
"""A board that is looked at or a short stop costs a few takts."""
LINKED = 45 * 60 * SECOND
"""A gateway whose link says online has a last will to speak for it: counts that stop are then a line that
stands, as in a break. Only a gateway that hangs would be missed, so after a long break it is told too."""
_STOPPED = (Reading.OUT, Reading.FAULT)


def judge(world: World, at: Instant, heard_since: Instant | None) -> list[Told]:
    """Open a notice for each station that has been silent for long enough, and while we listened."""
    told: list[Told] = []
    for station, since in list(_due(world, at, heard_since)):
        world.station(station.line, station.station).silence_told = since
        told += standing.begin(
            world, KIND, "", _words(station, since), at, line=station.line, station=station.station
        )
    return told


def is_due(world: World, at: Instant, heard_since: Instant | None) -> bool:
    """Whether ``judge`` would open one."""
    return next(_due(world, at, heard_since), None) is not None


def settle(world: World, station: StationState, at: Instant) -> list[Told]:
    """The notice ends once the station has spoken again, or isn't expected to speak any more."""
    if not _stands(world, station):
        return []
    since = silent_since(world, station)
    if since is not None and at - since >= patience(station):
        station.silence_told = since
        return []
    return standing.end(world, KIND, "", at, line=station.line, station=station.station)


def settle_line(world: World, line: str, at: Instant) -> list[Told]:
    """``settle`` for each station of a line whose orders changed."""
    told: list[Told] = []
    for station in world.stations_of(line) if world.standing else []:
        if _stands(world, station):
            told += settle(world, world.station(line, station.station), at)
    return told


def silent_since(world: World, station: StationState) -> Instant | None:
    """When it last spoke, if it is one that should be heard; ``None``: nothing is expected of it."""
    counted = station.counted_at or 0
    if station.link == "offline" and station.link_since is not None:
        return max(station.link_since, counted)
    if _order_at_work(world, station) is None:
        return None
    moments = [counted]
    if station.link_since is not None:
        moments.append(station.link_since)
    if station.tower is not None:
        if station.tower.reading in _STOPPED:
            return None
        moments.append(station.tower.since)
    return max(moments)


def patience(station: StationState) -> Instant:
    """How long a silence is nothing to speak of."""
    if station.link == "online":
        return LINKED
    takt = takt_of(station)
    return SHORTEST if takt is None else max(SHORTEST, round(TAKTS * takt * SECOND))


def _due(world: World, at: Instant, heard_since: Instant | None) -> Iterator[tuple[StationState, Instant]]:
    if heard_since is None or at - heard_since < SHORTEST:
        return
    for place in sorted(world.stations):
        station = world.stations[place]
        if station.link != "offline" and at - (station.counted_at or 0) < SHORTEST:
            continue
        since = silent_since(world, station)
        # Told once: a person who closed the notice knows. That a whole source isn't heard is told of that.
        if since is None or since == station.silence_told or station.source.silent is not None:
            continue
        heard = max(heard_since, station.source.back or 0)
        if at - max(since, heard) >= patience(station) and not _stands(world, station):
            yield station, since


def _stands(world: World, station: StationState) -> bool:
    return standing.find(world, KIND, "", line=station.line, station=station.station) is not None


def _order_at_work(world: World, station: StationState) -> Order | None:
    """The line's running order, where this station has begun it and isn't through."""
    line = world.lines.get(station.line)
    order = None if line is None else line.running_order
    if order is None or station.order != order.name or station.order_done <= 0 or station.resting:
        return None
    if order.panels is not None and not station.progress_estimated and station.order_done >= order.panels:
        return None
    return order


def _words(station: StationState, since: Instant) -> Said:
    values = {"where": f"{station.line} {station.station}", "since_at": to_rfc3339(since)}
    if station.link == "offline":
        return Said(
            "{where} has been offline since {since_at}. Nothing warns of its slots until it is back.", values
        )
    return Said(
        "{where} has sent no counts since {since_at} though its order runs. Nothing warns of its slots.",
        values,
    )
