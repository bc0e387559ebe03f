"""What a mapped message says in our words, by what its rule gives."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from service.domain.model import Instant, to_datetime
from service.wire import readings
from service.wire.batches import Batch
from service.wire.gathered import PANELS, Count, Saying, believed
from service.wire.loads import FIELDS
from service.wire.mapped_found import Found
from service.wire.mapped_rules import Gives
from service.wire.native import Misfit

_MODES = ("production", "dry", "setup")
_CHANGES = ("loaded", "joined", "spliced", "counted", "removed")


class Out:
    """What is said by all rules of one message, before any of it counts: messages as they are (``said``),
    each with the key of its station or line, and values that are gathered first (``heard``)."""

    def __init__(self, source: str, at: Instant, *, retained: bool = False) -> None:
        self.source = source
        self.at = at
        self.retained = retained
        self.said: list[tuple[str, Saying]] = []
        self.heard: dict[str, Batch] = {}

    def batch(self, key: str, kind: str = "", said_at: Instant | None = None) -> Batch:
        """Where values of that station or line are gathered; ``said_at`` is the source's time of them."""
        batch = self.heard.get(key)
        if batch is None:
            batch = self.heard[key] = Batch()
        if said_at is not None:
            batch.at[kind] = max(said_at, batch.at.get(kind, said_at))
        return batch


def _count(found: Found, out: Out) -> None:
    made = found.made
    key, at = found.key(), found.time("at")
    panels, mode, lane = found.whole("panels"), found.one_of("mode", _MODES), found.get("lane")
    extra = {name: value for name, value in (("mode", mode), ("lane", lane)) if value is not None}
    slots: dict[str, dict[str, int]] = {}
    for slot, parts in found.slots():
        if slot in slots:
            raise Misfit(f"slot {slot} comes twice")
        slots[slot] = _read(found, slot, parts)
    if not slots and panels is None:
        raise Misfit("nothing in it is counted")
    if made.numbered:
        body = _given(at=at, session=found.text("session"), seq=found.whole("seq"))
        body |= {"counts": made.rule.counts, **extra, "slots": _slot_counts(slots)}
        out.said.append((key, Saying("count", body | _given(panels=_panels(panels, made.rule.each)))))
        return
    if out.retained and made.rule.counts == "delta":
        return
    batch = out.batch(key, "count", at)
    batch.extra |= extra
    delta, when = made.rule.counts == "delta", believed(at, out.at)
    for slot, parts in slots.items():
        batch.counts += [Count(slot, means, units, when, delta) for means, units in parts.items()]
    if panels is not None:
        batch.counts.append(Count("", PANELS, panels, when, delta, made.rule.each))


def _read(found: Found, slot: str, parts: Mapping[str, object]) -> dict[str, int]:
    units = found.made.rule.units
    try:
        if not units:
            return {name: readings.whole(value) for name, value in parts.items()}
        return {name: readings.whole(value, units.get(name, 1)) for name, value in parts.items()}
    except Misfit as misfit:
        raise Misfit(f"slot {slot}: {misfit}") from None


def _slot_counts(slots: Mapping[str, dict[str, int]]) -> dict[str, dict[str, int]]:
    """What was picked was placed, unless it was lost; where neither is known nothing is said."""
    said = {}
    for slot, parts in slots.items():
        picked = parts.pop("picked", None)
        if picked is not None:
            parts.setdefault("placed", max(0, picked - parts.get("lost", 0)))
        if "placed" in parts:
            said[slot] = parts
    return said


def _panels(boards: int | None, each: int) -> int | None:
    return None if boards is None else boards // each


def _panel(found: Found, out: Out) -> None:
    at = found.time("at")
    batch = out.batch(found.key(), "count", at)
    identity = found.text("id") if "id" in found.made.take else True
    if not out.retained:
        batch.panels.append((identity, believed(at, out.at), found.made.rule.each))


def _supply(found: Found, out: Out) -> None:
    """Something that happened, or how it is now. Nothing tells whether what the broker kept is new, if it has
    neither time nor id."""
    key, slot, at = found.key(), found.name("slot"), found.time("at")
    fields = {name: _supply_part(found, name) for name in FIELDS if _is_told(found, name)}
    if not found.made.event:
        out.batch(key, "supply", at).loads.setdefault(slot, {}).update(fields)
        return
    change = found.one_of("change", _CHANGES) or "loaded"
    own = found.text("id")
    if out.retained and own is None and at is None:
        return
    named = None if at is None else f"{out.source} {key}/{slot} {change} {at}"
    opened = found.time("opened_at")
    body = _given(at=at, id=own or named, slot=slot, change=change, **fields)
    body |= _given(
        by=found.text("by"),
        opened_at=None if opened is None else to_datetime(opened),
        moisture_level=found.get("moisture_level"),
    )
    out.said.append((key, Saying("supply", body)))


def _is_told(found: Found, name: str) -> bool:
    return name in found.made.take or name in found.made.rule.say


def _supply_part(found: Found, name: str) -> str | int | None:
    if name == "quantity":
        return found.whole(name)
    return found.one_of(name, readings.KINDS) if name == "kind" else found.text(name)


def _recipe(found: Found, out: Out) -> None:
    key = found.key()
    usage: dict[str, float] = {}
    parts: dict[str, str] = {}
    for slot, said in found.slots():
        if "usage" in said:
            usage[slot] = readings.per_panel(said["usage"], found.made.rule.units.get("usage", 1))
        if part := readings.text(said.get("part")):
            parts[slot] = part
    if not usage:
        raise Misfit("no slot is used by it")
    body = _given(at=found.time("at"), recipe=found.text("recipe"), usage=usage, parts=parts)
    body |= _given(boards_per_panel=found.whole("boards_per_panel"), active=_yes(found, "active"))
    out.said.append((key, Saying("recipe", body)))


def _yes(found: Found, field: str) -> bool | None:
    said = found.one_of(field, ("true", "false", "yes", "no", "1", "0"))
    return None if said is None else said in ("true", "yes", "1")


def _order(found: Found, out: Out) -> None:
    """What happened to an order, or which is made now."""
    line, order = found.name("line"), found.text("order")
    fields = {"recipe": found.text("recipe"), "panels": _panels(found.whole("panels"), found.made.rule.each)}
    if not found.made.event:
        out.batch(line, "order", found.time("at")).order |= {"order": order, **fields}
        return
    state = found.one_of("state", readings.STATES) or "running"
    out.said.append((line, Saying("order", _given(at=found.time("at"), order=order, state=state, **fields))))


def _tower(found: Found, out: Out) -> None:
    rule = found.made.rule
    at = found.time("at")
    batch, when = out.batch(found.key(), "tower", at), believed(at, out.at)
    before = len(batch.lamps)
    if (lamps := found.get("lamps")) is not None:
        batch.take_lamps(lamps, rule.words, rule.bits, when)
    if (buzzer := found.get("buzzer")) is not None:
        batch.take_lamps({readings.BUZZER: buzzer}, rule.words, {}, when)
    if len(batch.lamps) == before:
        raise Misfit("no lamp is told of")


def _link(found: Found, out: Out) -> None:
    state = found.get("state")
    if state is None:
        raise Misfit("state: nothing there")
    out.batch(found.key(), "link", found.time("at")).link = readings.linked(state, found.made.rule.words)


def _given(**fields: Any) -> dict[str, Any]:
    """Unknown is left out."""
    return {name: value for name, value in fields.items() if value is not None}


SAY: Mapping[Gives, Callable[[Found, Out], None]] = {
    "count": _count,
    "supply": _supply,
    "recipe": _recipe,
    "order": _order,
    "tower": _tower,
    "link": _link,
    "panel": _panel,
}
