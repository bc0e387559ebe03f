"""What a recording says to a broker in the plant's place: its floor messages, and before them what somebody
who comes new must be told of the state it begins with.

Recipes, orders and links are retained, as the plant's gateways retain them. People's acts, passing time and
settings aren't the plant's to say.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import msgspec

from service.domain.events import JournalEntry
from service.domain.model import Instant, from_rfc3339, to_rfc3339
from service.domain.state import LineState, Recipe, SlotState, StationState
from service.domain.world import World
from service.wire.journal import FLOOR

RETAINED = frozenset({"recipe", "order", "link"})
_TIMES = ("at", "opened_at")
_encode = msgspec.json.Encoder().encode
_fields = msgspec.json.Decoder(dict[str, msgspec.Raw])


@dataclass(frozen=True, slots=True)
class Said:
    """``topic`` below the root. ``at``: when it was heard."""

    topic: str
    payload: bytes
    retain: bool
    at: Instant


def said_by(entry: JournalEntry) -> Said | None:
    """``None``: it isn't the floor's."""
    if entry.kind not in FLOOR:
        return None
    line, _, rest = entry.subject.partition("/")
    if entry.kind == "order":
        topic = f"{line}/order" + (f"/{rest}" if rest else "")
    elif entry.kind == "recipe":
        station, _, name = rest.partition("/")
        topic = f"{line}/{station}/recipe" + (f"/{name}" if name else "")
    else:
        topic = f"{line}/{rest}/{entry.kind}"
    return Said(topic, entry.data, entry.kind in RETAINED, entry.at)


def shifted(said: Said, now: Instant) -> bytes:
    """The payload as if it were heard now: its times keep their distance from when it was."""
    try:
        fields = _fields.decode(said.payload)
    except msgspec.MsgspecError:
        return said.payload
    for name in _TIMES:
        if (text := fields.get(name)) is not None and (moment := _moment(text)) is not None:
            fields[name] = msgspec.Raw(_encode(to_rfc3339(moment + now - said.at)))
    return _encode(fields)


def _moment(text: msgspec.Raw) -> Instant | None:
    """``None``: it is no time."""
    said: object = msgspec.json.decode(text)
    try:
        return from_rfc3339(said) if isinstance(said, str) else None
    except (ValueError, TypeError):
        return None


def opening(world: World, at: Instant) -> Iterator[Said]:
    """What was so before the first message, said as of ``at``: recipes and orders, what is loaded (as much as
    the books say is left), what was counted until then, towers and links."""
    for line in world.lines.values():
        stations = sorted(world.stations_of(line.line), key=lambda each: each.station)
        for station in stations:
            yield from _recipes(station, at)
        yield from _orders(line, at)
        for station in stations:
            yield from _supplies(station, at)
            yield from _rest(station, at)


def _say(topic: str, at: Instant, fields: dict[str, object], *, retain: bool = False) -> Said:
    said = {"at": to_rfc3339(at), **{name: value for name, value in fields.items() if value is not None}}
    return Said(topic, _encode(said), retain, at)


def _recipes(station: StationState, at: Instant) -> Iterator[Said]:
    """That which rules comes last."""
    known = sorted(station.recipes.values(), key=lambda each: each.name == station.last_active)
    for recipe in known:
        active = recipe.name == station.last_active
        topic = f"{station.line}/{station.station}/recipe/{recipe.name}"
        yield _say(topic, at, _recipe(recipe, active=active), retain=True)


def _recipe(recipe: Recipe, *, active: bool) -> dict[str, object]:
    return {
        "recipe": recipe.name,
        "boards_per_panel": recipe.boards_per_panel,
        "usage": recipe.usage,
        "parts": recipe.parts,
        "alternates": recipe.alternates,
        "active": active,
    }


def _orders(line: LineState, at: Instant) -> Iterator[Said]:
    """What runs first; what is over is nobody's news."""
    known = [each for each in line.orders.values() if each.state in ("running", "queued")]
    for order in sorted(known, key=lambda each: each.state != "running"):
        fields: dict[str, object] = {"order": order.name, "recipe": order.recipe, "panels": order.panels}
        yield _say(f"{line.line}/order/{order.name}", at, fields | {"state": order.state}, retain=True)


def _supplies(station: StationState, at: Instant) -> Iterator[Said]:
    for slot in station.slots.values():
        if slot.removed or (slot.declared is None and slot.part is None and slot.supply is None):
            continue
        yield _say(f"{station.line}/{station.station}/supply", at, _loaded(station, slot, at))


def _loaded(station: StationState, slot: SlotState, at: Instant) -> dict[str, object]:
    return {
        "id": f"begin-{at}-{station.line}-{station.station}-{slot.name}",
        "slot": slot.name,
        "change": "loaded",
        "kind": slot.kind,
        "part": slot.part,
        "lot": slot.lot,
        "supply": slot.supply,
        "quantity": None if slot.book is None else max(0, slot.book),
    }


def _rest(station: StationState, at: Instant) -> Iterator[Said]:
    place = f"{station.line}/{station.station}"
    counted = {
        slot.name: {"placed": slot.base_placed} | ({} if slot.base_lost is None else {"lost": slot.base_lost})
        for slot in station.slots.values()
        if slot.base_placed is not None
    }
    if counted and station.session is not None and station.seq is not None:
        fields: dict[str, object] = {"session": station.session, "seq": station.seq, "slots": counted}
        yield _say(f"{place}/count", at, fields | {"panels": station.panels})
    if station.tower is not None:
        tower = station.tower
        shown: dict[str, object] = {"lamps": tower.lamps, "buzzer": tower.buzzer, "slots": tower.slots}
        yield _say(f"{place}/tower", tower.since, shown)
    if station.link is not None:
        yield _say(f"{place}/link", station.link_since or at, {"state": station.link}, retain=True)
