"""What a station is set up for and what its line makes, gathered from values that come one by one: recipes
with their usage, orders with their panels.

Values of one change may come in messages of their own and in any order; then the others are waited for, a
little.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import msgspec

from service.domain.model import Instant
from service.wire.loads import WAIT

_ENDED = ("finished", "withdrawn")


class Recipe(msgspec.Struct, array_like=True):
    """``due``: when what changed is said without the rest."""

    name: str | None = None
    usage: dict[str, float] = {}
    due: Instant | None = None


class Order(msgspec.Struct, array_like=True):
    """``fields``: ``order``, ``panels`` and ``state`` as they were last said; ``changed`` since it was last
    told of."""

    fields: dict[str, str | int] = {}
    changed: list[str] = []
    due: Instant | None = None


def hear_recipe(
    recipe: Recipe, name: str | None, usage: Mapping[str, float], now: Instant
) -> dict[str, Any] | None:
    """What to say now. Another recipe has a usage of its own, and without any usage it says nothing."""
    renamed = name is not None and name != recipe.name
    if renamed:
        recipe.name, recipe.usage = name, {} if recipe.name is not None else recipe.usage
    if not renamed and all(recipe.usage.get(slot) == each for slot, each in usage.items()):
        return None
    recipe.usage |= usage
    if recipe.name is None or not recipe.usage:
        return None
    if name is not None and usage:
        return _recipe(recipe)
    recipe.due = recipe.due or now + WAIT
    return None


def settle_recipe(recipe: Recipe, at: Instant) -> dict[str, Any] | None:
    if recipe.due is None or recipe.due > at:
        return None
    return _recipe(recipe)


def hear_order(
    order: Order, fields: Mapping[str, str | int | None], now: Instant, rest: frozenset[str]
) -> list[dict[str, Any]]:
    """What to say now of the order before and of this one; ``rest``: the fields that are ever heard here.
    An order whose state isn't told runs while it is named, and is finished when none is."""
    said = _replace(order, fields["order"]) if "order" in fields else []
    for key, value in fields.items():
        if value not in (None, "", order.fields.get(key)):
            order.fields[key] = value
            order.changed += [key] if key not in order.changed else []
    if not order.changed or "order" not in order.fields:
        return said
    if rest <= fields.keys():
        return [*said, _order(order)]
    order.due = order.due or now + WAIT
    return said


def settle_order(order: Order, at: Instant) -> dict[str, Any] | None:
    if order.due is None or order.due > at:
        return None
    return _order(order)


def _replace(order: Order, name: str | int | None) -> list[dict[str, Any]]:
    """The end of the order before. Panels that came with the change of names are the next one's."""
    before, changed = order.fields, order.changed
    if "order" not in before or name == before["order"]:
        return []
    order.fields, order.changed, order.due = {}, [], None
    if "panels" in changed and "order" not in changed:
        order.fields["panels"] = before.pop("panels")
    state = before.get("state")
    if state in _ENDED and "state" in changed:
        return [before]
    return [{**before, "state": "finished"}] if not name and state not in _ENDED else []


def _recipe(recipe: Recipe) -> dict[str, Any]:
    recipe.due = None
    return {"recipe": recipe.name, "usage": dict(recipe.usage)}


def _order(order: Order) -> dict[str, Any]:
    order.changed, order.due = [], None
    return {"state": "running", **order.fields}
