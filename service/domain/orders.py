"""Orders of a line: what runs, what is queued, and each station's own progress through it.

An order limits warnings at a station only where its start was heard live; a retained message tells of a
start we didn't see."""

from __future__ import annotations

from service.domain.events import OrderMessage
from service.domain.model import Instant, from_datetime
from service.domain.notices import Told
from service.domain.outcome import judge_station
from service.domain.state import LineState, Order, StationState
from service.domain.world import World, touch_line

MOST_ENDED = 50
ENDED = ("finished", "withdrawn")


def apply_order(
    world: World, line: LineState, message: OrderMessage, at: Instant, *, retained: bool
) -> list[Told] | None:
    known = line.orders.get(message.order or "")
    if known is not None and _says_nothing_new(known, message, retained=retained):
        return None
    ended_before = known is not None and known.state in ENDED
    order = _update(line, message, known)
    touch_line(world, line)
    stations = world.stations_of(line.line)
    if order.state == "running" and line.running != order.name:
        if retained and _began_before(order, line.running_order):
            order.state = "finished"
        else:
            order.start_seen = not retained
            _end_running(line)
            line.running = order.name
            for station in stations:
                _start(station, order)
    elif order.state != "running" and line.running == order.name:
        line.running = None
        for station in stations:
            _finish(station, at)
    elif order.state == "finished" and line.running is None and not ended_before:
        # Its start was never heard; that nothing runs any more is heard all the same.
        for station in stations:
            _finish(station, at)
    _forget_old(line)
    told: list[Told] = []
    for station in stations:
        world.station(station.line, station.station)
        world.look_again(station)
        told += judge_station(world, station, at)
    return told


def _said_at(message: OrderMessage) -> Instant | None:
    return None if message.at is None else from_datetime(message.at)


def _says_nothing_new(known: Order, message: OrderMessage, *, retained: bool) -> bool:
    """A retained message comes again with every connection, long after the order's fate was another; a
    broker may send any again, and what says the same of the same moment is no second start."""
    said_at = _said_at(message)
    if retained and said_at is not None and known.said_at is not None and said_at < known.said_at:
        return True
    if not retained and said_at is None:
        return False
    return (
        (message.state, said_at) == (known.said, known.said_at)
        and message.recipe in (None, known.recipe)
        and message.panels in (None, known.panels)
    )


def _began_before(order: Order, running: Order | None) -> bool:
    """Retained messages come in any order: the one that ran last runs."""
    if running is None or running.said_at is None or order.said_at is None:
        return False
    return order.said_at < running.said_at


def _update(line: LineState, message: OrderMessage, known: Order | None) -> Order:
    """The order as now known; what a message leaves out stays as it was."""
    name = message.order or ""
    if known is None:
        known = line.orders[name] = Order(name, message.recipe, message.panels, message.state)
    known.recipe = message.recipe if message.recipe is not None else known.recipe
    known.panels = message.panels if message.panels is not None else known.panels
    if known.state in ENDED and message.state == "queued":
        # Queued anew: it takes its place at the end.
        line.orders[name] = line.orders.pop(name)
    known.state = known.said = message.state
    known.said_at = _said_at(message)
    return known


def _end_running(line: LineState) -> None:
    """A line runs one order: the one that runs now ends the one before."""
    before = line.running_order
    if before is not None and before.state == "running":
        before.state = "finished"


def _start(station: StationState, order: Order) -> None:
    station.order, station.order_done = order.name, 0
    station.order_start_seen = order.start_seen
    station.progress_estimated = False
    station.rests_since = None
    if order.recipe in station.recipes:
        station.last_active = order.recipe


def _finish(station: StationState, at: Instant) -> None:
    station.order, station.order_done = None, 0
    station.order_start_seen = station.progress_estimated = False
    station.rests_since = at


def _forget_old(line: LineState) -> None:
    ended = [name for name, order in line.orders.items() if order.state in ENDED]
    for name in ended[:-MOST_ENDED]:
        del line.orders[name]
