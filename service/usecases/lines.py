"""A line as it is shown: its order, and what each of its stations said last."""

from __future__ import annotations

from collections.abc import Mapping

import msgspec

from service.domain import gateways, judge
from service.domain.model import rfc3339_or_none, to_rfc3339
from service.domain.state import LineState, StationState
from service.domain.world import World
from service.usecases.slots import Json


class _Outline(StationState, array_like=True):
    """A station's state without what is in its slots, which is most of it and isn't shown here."""

    slots: msgspec.Raw = msgspec.Raw()  # type: ignore[assignment]


_outlines = msgspec.msgpack.Decoder(_Outline)
_lines = msgspec.msgpack.Decoder(LineState)


def outlines(committed: Mapping[str, bytes]) -> World:
    """All lines and stations of committed states, for ``line_object`` alone."""
    world = World()
    for key in list(committed):
        data = committed.get(key)
        if data is not None and key.startswith("station/"):
            station = _outlines.decode(data)
            world.stations[station.line, station.station] = station
        elif data is not None and key.startswith("line/"):
            line = _lines.decode(data)
            world.lines[line.line] = line
    return world


def line_object(world: World, line: LineState) -> Json:
    running = line.running_order
    stations = sorted(world.stations_of(line.line), key=lambda station: station.station)
    return {
        "line": line.line,
        "order": None
        if running is None
        else {
            "order": running.name,
            "recipe": running.recipe,
            "panels": running.panels,
            "state": running.state,
        },
        "queued": [order.name for order in line.orders.values() if order.state == "queued"],
        "stations": [_station_object(station) for station in stations],
    }


def _station_object(station: StationState) -> Json:
    tower = station.tower
    return {
        "station": station.station,
        "tower": None
        if tower is None
        else {
            "lamps": tower.lamps,
            "buzzer": tower.buzzer,
            "slots": tower.slots,
            "reading": tower.reading,
            "since": to_rfc3339(tower.since),
        },
        "link": None
        if station.link is None or station.link_since is None
        else {"state": station.link, "since": to_rfc3339(station.link_since)},
        "panels": station.panels,
        "session": station.session,
        "seq": station.seq,
        "order_done": station.order_done if station.order is not None else None,
        "order_done_estimated": station.progress_estimated,
        "takt_seconds": judge.takt_of(station),
        "uncertain_since": None if station.uncertain_since is None else to_rfc3339(station.uncertain_since),
        "clock_flagged": station.clock_flagged,
        "as_of": rfc3339_or_none(station.counted_at),
        "source": gateways.source_of(station),
        "stale_since": rfc3339_or_none(gateways.stale_since(station)),
    }
