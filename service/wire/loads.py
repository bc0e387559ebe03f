"""What is loaded in a slot, gathered from values that come one by one: when it changed, and to what.

The strongest name that is said of a supply tells one from the next: its own, else its lot's, else its part's.
Values of one exchange may come in messages of their own and in any order; then the others are waited for, a
little.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import msgspec

from service.domain.model import SECOND, Instant

TELLING = ("supply", "lot", "part")
FIELDS = (*TELLING, "kind", "quantity")
WAIT = 2 * SECOND
"""For the rest of what belongs to one change."""


class Load(msgspec.Struct, array_like=True):
    """``fields``: what was said last; ``said``: by which field and value the present supply goes in what we
    said. ``changed``: the telling fields that changed since then, from ``since`` on (``at`` by the source's
    clock); ``heard``: all that came since. ``due``: when it is said without the rest. ``filled``: when a
    quantity came that doesn't go down. ``together``: what tells of it came in one message with a quantity, so
    that hardly anything is missing."""

    fields: dict[str, str | int | None] = {}
    said: tuple[str, str] | None = None
    changed: list[str] = []
    heard: list[str] = []
    since: Instant = 0
    at: Instant | None = None
    due: Instant | None = None
    filled: Instant | None = None
    number: int = 0
    together: bool = False


def hear(
    load: Load, fields: Mapping[str, str | int | None], at: Instant | None, now: Instant, rest: frozenset[str]
) -> dict[str, Any] | None:
    """What these fields, heard together, say: the change and what is known with it. ``rest``: the fields that
    are ever heard of a slot here."""
    if load.changed and load.due is None and now - load.since > WAIT:
        load.changed, load.heard = [], []
    changed = [each for each in TELLING if each in fields and fields[each] != load.fields.get(each)]
    if changed and not load.changed:
        load.since, load.at = now, at
        load.heard = [] if load.number else load.heard
    load.changed += [each for each in changed if each not in load.changed]
    if "quantity" in fields:
        _note_quantity(load, fields["quantity"], now)
    load.fields |= fields
    load.heard += [each for each in fields if each not in load.heard]
    if not load.changed:
        return None
    if _is_gone(load):
        load.said = None
        return _end(load, {"change": "removed"})
    if not _is_other(load):
        return None
    known = {*load.heard, *(("quantity",) if _quantity(load) is not None else ())}
    if known >= rest:
        return _loaded(load)
    load.due = load.due or load.since + WAIT
    load.together = load.together or bool(changed and "quantity" in fields)
    return None


def settle(load: Load, at: Instant) -> dict[str, Any] | None:
    """What is said now without the rest. Who says by exception what changed says nothing of a full quantity
    that is the same again."""
    if load.due is None or load.due > at:
        return None
    load.at = load.since if load.at is None else load.at
    return _loaded(load, same=load.filled is not None)


def _strongest(load: Load) -> tuple[str, str] | None:
    return next(((each, str(value)) for each in TELLING if (value := load.fields.get(each))), None)


def _is_gone(load: Load) -> bool:
    """What told the present supply is empty now, and nothing else tells of another."""
    if load.said is None or load.fields.get(load.said[0]):
        return False
    return not any(load.fields.get(each) for each in load.changed)


def _is_other(load: Load) -> bool:
    """A supply is told of that isn't the one we said."""
    found = _strongest(load)
    if found is None or found == load.said:
        return False
    return found[0] in load.changed or any(load.fields.get(each) for each in load.changed)


def _loaded(load: Load, *, same: bool = False) -> dict[str, Any]:
    """``same``: a quantity that wasn't said again is what it was."""
    load.said = _strongest(load)
    known = {each: value for each in FIELDS if (value := load.fields.get(each)) and each != "quantity"}
    quantity = load.fields.get("quantity") if same else _quantity(load)
    return _end(load, {"change": "loaded", **known} | ({} if quantity is None else {"quantity": quantity}))


def _end(load: Load, said: dict[str, Any]) -> dict[str, Any]:
    """Nothing is waited for any more."""
    at = load.at
    load.changed, load.heard, load.due, load.at = [], [], None, None
    load.number += 1
    return said if at is None else {"at": at, **said}


def _note_quantity(load: Load, quantity: str | int | None, now: Instant) -> None:
    """One that goes down, and no other supply was told of, is what is left of the one that is there."""
    before = load.fields.get("quantity")
    falls = isinstance(quantity, int) and isinstance(before, int) and quantity < before
    load.filled = None if quantity is None or (falls and not load.changed) else now


def _quantity(load: Load) -> int | None:
    """That of the supply which is loaded now, where it was said with it."""
    quantity = load.fields.get("quantity")
    if not isinstance(quantity, int) or load.filled is None:
        return None
    return quantity if not load.number or load.filled >= load.since - WAIT else None
