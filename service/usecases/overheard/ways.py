"""Where in a JSON message something is, as the expressions that a mapping takes."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from service.usecases.overheard.alike import Varying
from service.usecases.overheard.guess import Guess
from service.usecases.overheard.reading import Item, Key, Step
from service.usecases.overheard.topics import inside

_PLAIN = re.compile(r"[A-Za-z_][A-Za-z0-9_]*", re.ASCII)


class InSlots(NamedTuple):
    """``items``: the list whose elements are stations; ``slots``: the list or object of slots; ``names``: the
    fields that say whose an element is; ``way``: to the value from there. ``mapped``: the value is in an
    object that has one for each slot."""

    items: str | None
    slots: str | None
    names: Mapping[str, str]
    way: str
    mapped: bool


def way(steps: Sequence[Step | Varying]) -> str:
    """The JMESPath expression that leads there by keys; ``@`` is where one stands."""
    return ".".join(quoted(step.text) for step in steps if isinstance(step, Key)) or "@"


def quoted(name: str) -> str:
    """As JMESPath has a name that is no plain word: JSON's text."""
    return name if _PLAIN.fullmatch(name) else json.dumps(name, ensure_ascii=False)


def is_flat(each: Guess) -> bool:
    """A key of the message leads to it, and no list."""
    steps = inside(each.found)
    return bool(steps) and not any(isinstance(step, Varying) for step in steps)


def in_slots(each: Guess) -> InSlots | None:
    """``None``: no expression leads there."""
    steps = list(inside(each.found))
    names: dict[str, str] = {}
    items: str | None = None
    places = _varying(steps)
    if len(places) == 2:
        item = _item(steps[places[0]])
        if item is None or not item.field:
            return None
        items, names["station"] = way(steps[: places[0]]) + "[]", quoted(item.field)
        steps = steps[places[0] + 1 :]
        places = _varying(steps)
    if len(places) > 1:
        return None
    if not places:
        return InSlots(items, None, names, way(steps), False)
    item, last = _item(steps[places[0]]), places[0] == len(steps) - 1
    if last or (item is not None and not item.field):
        return InSlots(items, None, names, way(steps[:-1]), True) if last and item is None else None
    if item is not None:
        names["slot"] = quoted(item.field)
    return InSlots(items, way(steps[: places[0]]), names, way(steps[places[0] + 1 :]), False)


def below_items(each: Guess, items: str | None) -> str | None:
    """The way from an element of ``items``, or in the whole; ``None``: it is elsewhere."""
    steps = inside(each.found)
    places = _varying(steps)
    if not places:
        return way(steps)
    one = _item(steps[places[0]])
    if items is None or len(places) > 1 or one is None or way(steps[: places[0]]) + "[]" != items:
        return None
    return way(steps[places[0] + 1 :])


def _varying(steps: Sequence[Step | Varying]) -> list[int]:
    return [place for place, step in enumerate(steps) if isinstance(step, Varying)]


def _item(step: Step | Varying) -> Item | None:
    return step.of if isinstance(step, Varying) and isinstance(step.of, Item) else None
