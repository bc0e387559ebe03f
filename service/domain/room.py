"""How much may come into being by being heard of: lines, stations, slots, orders.

Names are whatever a gateway sends, so a wrong or hostile one could fill memory and disk with inventions. The
bounds lie far above any plant. Asked before a message counts; what is recorded had room and counts again.
"""

from __future__ import annotations

from service.domain.events import (
    CountMessage,
    Message,
    OrderMessage,
    Readied,
    RecipeMessage,
    SupplyCare,
    SupplyMessage,
    TowerMessage,
)
from service.domain.world import World

MOST_LINES = 200
MOST_STATIONS = 5_000
MOST_OF_A_LINE = 1_000
MOST_SLOTS = 1_000
MOST_ORDERS = 1_000
MOST_SUPPLIES = 200_000
MOST_READY = 1_000


def lacking(world: World, message: Message, line: str, station: str | None) -> str | None:
    """Why there is no room for what ``message`` would bring into being; ``None``: there is."""
    if isinstance(message, CountMessage):
        counted = world.stations.get((line, station or ""))
        if counted is not None and message.slots.keys() <= counted.slots.keys():
            return None
    if isinstance(message, SupplyCare) and len(world.supplies) >= MOST_SUPPLIES:
        known = message.supply in world.supplies
        return None if known else f"{MOST_SUPPLIES} supplies are known already"
    if not line:
        return None
    if line not in world.lines and len(world.lines) >= MOST_LINES:
        return f"line {line} is new, and {MOST_LINES} lines are known already"
    if isinstance(message, OrderMessage):
        return _lacks_orders(world, message, line)
    if isinstance(message, Readied):
        return _lacks_ready(world, message, line)
    if station is None:
        return None
    return _lacks_stations(world, line, station) or _lacks_slots(world, message, line, station)


def _lacks_orders(world: World, message: OrderMessage, line: str) -> str | None:
    known = world.lines.get(line)
    if known is None or len(known.orders) < MOST_ORDERS or (message.order or "") in known.orders:
        return None
    return f"{MOST_ORDERS} orders of line {line} are known already"


def _lacks_ready(world: World, message: Readied, line: str) -> str | None:
    known = world.lines.get(line)
    if known is None or len(known.ready) < MOST_READY:
        return None
    if any((each.part, each.kind) == (message.part, message.kind) for each in known.ready):
        return None
    return f"{MOST_READY} parts are ticked as ready at line {line} already"


def _lacks_stations(world: World, line: str, station: str) -> str | None:
    if (line, station) in world.stations:
        return None
    if len(world.stations) >= MOST_STATIONS:
        return f"station {station} is new, and {MOST_STATIONS} stations are known already"
    if sum(place[0] == line for place in world.stations) >= MOST_OF_A_LINE:
        return f"station {station} is new, and {MOST_OF_A_LINE} stations of line {line} are known already"
    return None


def _lacks_slots(world: World, message: Message, line: str, station: str) -> str | None:
    state = world.stations.get((line, station))
    slots = {} if state is None else state.slots
    named = _slots_of(message)
    if len(slots) + len(named) <= MOST_SLOTS:
        return None
    total = len(slots) + sum(name not in slots for name in named)
    return (
        None if total <= MOST_SLOTS else f"station {station} would have {total} slots (at most {MOST_SLOTS})"
    )


def _slots_of(message: Message) -> tuple[str, ...]:
    match message:
        case CountMessage() | TowerMessage():
            return tuple(message.slots)
        case RecipeMessage():
            return tuple(message.usage)
        case SupplyMessage():
            return (message.slot,)
    return ()
