"""Orders of a line: what runs, what is queued, and each station's own progress through it.

An order limits warnings at a station only where its start was heard live; a retained message tells of a
start we didn't see."""

from __future__ import annotations

from service.domain.events import OrderMessage
from service.domain.model import Instant
from service.domain.notices import Told
from service.domain.outcome import judge_station
from service.domain.state import LineState, Order, StationState
from service.domain.world import World, touch_line

MOST_ENDED = 50
ENDED = ("finished", "withdrawn")


def apply_order(
    world: World, line: LineState, message: OrderMessage, at: Instant, *, retained: bool
) -> list[Told]:
    order = _update(line, message)
    touch_line(world, line)
    stations = world.stations_of(line.line)
    if order.state == "running" and line.running != order.name:
        order.start_seen = not retained
        _end_running(line)
        line.running = order.name
        for station in stations:
            _start(station, order)
    elif order.state != "running" and line.running == order.name:
        line.running = None
        for station in stations:
            _finish(station)
    _forget_old(line)
    told: list[Told] = []
    for station in stations:
        world.station(station.line, station.station)
        world.look_again(station)
        told += judge_station(world, station, at)
    return told


def _update(line: LineState, message: OrderMessage) -> Order:
    """The order as now known; what a message leaves out stays as it was."""
    name = message.order or ""
    known = line.orders.get(name)
    if known is None:
        known = line.orders[name] = Order(name, message.recipe, message.panels, message.state)
        return known
    known.recipe = message.recipe if message.recipe is not None else known.recipe
    known.panels = message.panels if message.panels is not None else known.panels
    if known.state in ENDED and message.state == "queued":
        # Queued anew: it takes its place at the end.
        line.orders[name] = line.orders.pop(name)
    known.state = message.state
    return known


def _end_running(line: LineState) -> None:
    """A line runs one order: the one that runs now ends the one before."""
    before = line.orders.get(line.running) if line.running is not None else None
    if before is not None and before.state == "running":
        before.state = "finished"


def _start(station: StationState, order: Order) -> None:
    station.order, station.order_done = order.name, 0
    station.order_start_seen = order.start_seen
    station.resting = False


def _finish(station: StationState) -> None:
    station.order, station.order_done = None, 0
    station.order_start_seen = False
    station.resting = True


def _forget_old(line: LineState) -> None:
    ended = [name for name, order in line.orders.items() if order.state in ENDED]
    for name in ended[:-MOST_ENDED]:
        del line.orders[name]
