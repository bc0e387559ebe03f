"""Which of our messages one JSON message of another gateway gives, and where in it each part is, as the
expressions that a mapping takes."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from service.usecases.overheard.alike import COUNTED, Varying
from service.usecases.overheard.guess import Guess
from service.usecases.overheard.reading import Item, Key, Step
from service.usecases.overheard.topics import inside, levels_of
from service.usecases.overheard.words import lamp_of, place_of

_SUPPLY = ("id", "change", "supply", "lot", "part", "kind", "quantity", "by")
_COUNTS = frozenset({"placed", "picked", "panels"})
"""Without one of them a count says nothing."""
_ORDER: Mapping[str, str] = {
    "order": "order",
    "recipe": "recipe",
    "order_panels": "panels",
    "order_state": "state",
}


@dataclass(slots=True)
class Rule:
    """One ``[[source.message]]``. ``take``: for each part an expression and its doubt; ``wanted``: what the
    topic has to say; ``used``: what it was made of; ``bits``: how many of a number are lamps."""

    gives: str
    wanted: tuple[str, ...] = ("line", "station")
    take: dict[str, tuple[str, str]] = field(default_factory=dict)
    words: dict[str, str] = field(default_factory=dict)
    items: str | None = None
    counts: str = "total"
    each: int = 1
    bits: int = 0
    used: list[Guess] = field(default_factory=list)

    def add(self, part: str, expression: str, each: Guess) -> None:
        self.used.append(each)
        self.take.setdefault(part, (expression, each.doubt))
        self.words |= each.words


class Topics:
    """All values of the topics that are alike."""

    def __init__(self, guesses: Sequence[Guess]) -> None:
        self.guesses = guesses

    def by(self, *meanings: str) -> list[Guess]:
        """Those that mean one of these."""
        return [each for each in self.guesses if each.means in meanings]

    def flat(self, *meanings: str) -> list[Guess]:
        """Those of them that a key of the message leads to."""
        return [each for each in self.by(*meanings) if is_flat(each)]

    def field(self, place: str) -> Guess | None:
        """The one that says which line, station or slot it is."""
        for each in self.guesses:
            if each.means is None and is_flat(each) and each.names_something:
                last = inside(each.found)[-1]
                if isinstance(last, Key) and place_of(last.text) == place:
                    return each
        return None


def rules_of(topics: Topics) -> Iterator[Rule]:
    for make in _MAKERS:
        for rule in make(topics):
            _say_whose(topics, rule)
            yield rule


def _say_whose(topics: Topics, rule: Rule) -> None:
    """What the message says itself needn't be in the topic; and when it was."""
    for place in rule.wanted:
        each = topics.field(place)
        if each is not None and place not in rule.take:
            rule.take = {place: (way(inside(each.found)), "by its name"), **rule.take}
            rule.used.append(each)
    rule.wanted = tuple(place for place in rule.wanted if place not in rule.take)
    for each in topics.flat("at")[:1]:
        rule.take = {"at": (way(inside(each.found)), ""), **rule.take}


def _counts(topics: Topics) -> Iterator[Rule]:
    """A rule for each list or object of slots, for objects with a counter of each slot, or for one slot."""
    rules: dict[tuple[str | None, str | None, bool], Rule] = {}
    for each in topics.by(*COUNTED, "empty"):
        found = in_slots(each)
        if found is not None:
            key = found.items, found.slots, found.mapped
            rule = rules[key] = rules.get(key) or _of_slots("count", found)
            rule.counts = each.counts
            rule.add(str(each.means), found.way, each)
    for each in topics.by("panels")[:1]:
        if not rules:
            rules[None, None, False] = Rule("count")
        rule = next(iter(rules.values()))
        if (found_at := below_items(each, rule.items)) is not None:
            rule.add("panels", found_at, each)
            rule.each = each.each
    yield from (rule for rule in rules.values() if not _COUNTS.isdisjoint(rule.take))


def _of_slots(gives: str, found: InSlots) -> Rule:
    """What is common to all values of these slots."""
    rule = Rule(gives, items=found.items)
    if found.slots is None and not found.mapped:
        rule.wanted = (*rule.wanted, "slot")
    if found.slots is not None:
        rule.take["slots"] = found.slots, ""
    rule.take |= {name: (expression, "") for name, expression in found.names.items()}
    return rule


def _supplies(topics: Topics) -> Iterator[Rule]:
    """What was done to one slot, which the message names; nothing where slots are counted."""
    if topics.by(*COUNTED, "usage") or not topics.flat("supply", "lot", "part", "change"):
        return
    captures = sum(isinstance(step, Varying) for step in levels_of(topics.guesses[0].found))
    if topics.field("slot") is None and captures < 3:
        return
    rule = Rule("supply", wanted=("line", "station", "slot"))
    for each in topics.flat(*_SUPPLY):
        rule.add(str(each.means), way(inside(each.found)), each)
    yield rule


def _recipes(topics: Topics) -> Iterator[Rule]:
    for each in topics.by("usage")[:1]:
        found = in_slots(each)
        if found is None or found.items is not None:
            continue
        rule = _of_slots("recipe", found)
        rule.add("usage", found.way, each)
        for other in topics.flat("recipe", "active", "boards_per_panel"):
            rule.add(str(other.means), way(inside(other.found)), other)
        for other in topics.by("part"):
            beside = in_slots(other)
            if beside is not None and beside[:3] == found[:3]:
                rule.add("part", beside.way, other)
        yield rule


def _orders(topics: Topics) -> Iterator[Rule]:
    if topics.flat("order"):
        rule = Rule("order", wanted=("line",))
        for each in topics.flat(*_ORDER):
            rule.add(_ORDER[str(each.means)], way(inside(each.found)), each)
        yield rule


def _towers(topics: Topics) -> Iterator[Rule]:
    """Lamps with a key each, or in one text."""
    rule = Rule("tower")
    lamps: dict[str, str] = {}
    for each in topics.by("lamp", "buzzer"):
        steps = inside(each.found)
        if is_flat(each):
            lamps[lamp_of(*each.found.names) or "buzzer"] = way(steps)
        elif _varies_last(steps):
            named = each.found.distinct(len(each.whose) - 1)
            lamps |= {str(lamp_of(name)): way([*steps[:-1], Key(name)]) for name in named}
        else:
            continue
        rule.add("lamps", "", each)
    if lamps:
        inside_it = ", ".join(f"{name}: {expression}" for name, expression in sorted(lamps.items()))
        rule.take["lamps"] = f"{{{inside_it}}}", rule.take["lamps"][1]
        yield rule
    else:
        for each in topics.flat("lamps")[:1]:
            rule.add("lamps", way(inside(each.found)), each)
            rule.bits = each.bits
            yield rule


def _varies_last(steps: Sequence[Step | Varying]) -> bool:
    return [isinstance(step, Varying) for step in steps] == [False] * (len(steps) - 1) + [True]


def _links(topics: Topics) -> Iterator[Rule]:
    for each in topics.flat("link")[:1]:
        rule = Rule("link")
        rule.add("state", way(inside(each.found)), each)
        yield rule


_MAKERS: Sequence[Callable[[Topics], Iterator[Rule]]] = (
    _counts,
    _supplies,
    _recipes,
    _orders,
    _towers,
    _links,
)


# Expressions

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
