"""Rules that turn one JSON message into ours: which topics, what it gives, and where each part of it is."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Literal

import msgspec

from service.wire.expressions import Expression
from service.wire.patterns import Pattern
from service.wire.rules import Rule, wrong_bits
from service.wire.times import Reads, reader

Gives = Literal["count", "supply", "recipe", "order", "tower", "link", "panel"]
Taken = Literal[
    "at",
    "line",
    "station",
    "slots",
    "slot",
    "session",
    "seq",
    "panels",
    "mode",
    "lane",
    "placed",
    "picked",
    "lost",
    "empty",
    "id",
    "change",
    "supply",
    "lot",
    "part",
    "kind",
    "quantity",
    "by",
    "opened_at",
    "moisture_level",
    "recipe",
    "usage",
    "boards_per_panel",
    "active",
    "order",
    "state",
    "lamps",
    "buzzer",
]
COUNTERS = ("placed", "picked", "lost", "empty")
"""Of a slot."""
_PLACE = frozenset({"at", "line", "station"})
_FIELDS: Mapping[Gives, frozenset[str]] = {
    "count": _PLACE | {"slots", "slot", "session", "seq", "panels", "mode", "lane", *COUNTERS},
    "supply": _PLACE
    | {"slot", "id", "change", "supply", "lot", "part", "kind", "quantity"}
    | {"by", "opened_at", "moisture_level"},
    "recipe": _PLACE | {"slots", "slot", "recipe", "usage", "part", "boards_per_panel", "active"},
    "order": _PLACE - {"station"} | {"order", "recipe", "panels", "state"},
    "tower": _PLACE | {"lamps", "buzzer"},
    "link": _PLACE | {"state"},
    "panel": _PLACE | {"id"},
}
_NEEDS: Mapping[Gives, frozenset[str]] = {
    "count": frozenset({"placed", "picked", "panels"}),
    "supply": frozenset({"supply", "lot", "part", "change"}),
    "recipe": frozenset({"usage"}),
    "order": frozenset({"order"}),
    "tower": frozenset({"lamps", "buzzer"}),
    "link": frozenset({"state"}),
    "panel": frozenset(),
}
"""Without any of these there is nothing to say."""


class MessageRule(msgspec.Struct, frozen=True, kw_only=True):
    """Messages whose topic fits ``topic`` give this. ``take``: a JMESPath expression for each part; ``say``:
    what is always so, where the message says nothing; ``when``: an expression that must hold; ``items``: one
    for a list whose items are messages of their own; ``$.`` before an expression looks in the whole then.

    ``words``: what the device's words and names mean; ``bits``: which bit is which lamp. ``each``: so many
    boards of a counter are one panel; ``units``: one unit of a field is so many. ``time`` as in ``times``."""

    topic: str
    gives: Gives
    take: Mapping[str, str] = {}
    say: Mapping[str, str] = {}
    when: str | None = None
    items: str | None = None
    counts: Literal["total", "delta"] = "total"
    each: int = 1
    units: Mapping[str, float] = {}
    words: Mapping[str, str] = {}
    bits: Mapping[str, str] = {}
    time: str = "rfc3339"


class ValueAt(msgspec.Struct, frozen=True, kw_only=True):
    """Topics that carry one value each: those that fit the name of the rule. ``value`` and ``at`` are
    expressions for the value and its time; without ``value`` the payload is it, as JSON or as plain text."""

    rule: Rule
    value: str | None = None
    at: str | None = None
    time: str = "rfc3339"


class Made:
    """A rule with everything compiled. ``ValueError`` says by its key what can't be used."""

    def __init__(self, rule: MessageRule, timezone: str) -> None:
        self.rule = rule
        self.pattern = Pattern(rule.topic)
        self.take = {field: compiled(f"take.{field}", text) for field, text in rule.take.items()}
        self.when = None if rule.when is None else compiled("when", rule.when)
        self.items = None if rule.items is None else compiled("items", rule.items)
        self.time: Reads = reader(rule.time, timezone)
        self.names: dict[str, str] = {}
        """Of slots met before, as they are and as ours."""
        for problem in _problems(rule, set(self.pattern.captures)):
            raise ValueError(problem)

    @property
    def event(self) -> bool:
        """It says what happened, where others say again and again how things are."""
        said = {*self.rule.take, *self.rule.say}
        return "change" in said or (self.rule.gives == "order" and "state" in said)

    @property
    def numbered(self) -> bool:
        """Its counts name their session or number: our contract's rules for them hold as they are."""
        return not {"session", "seq"}.isdisjoint({*self.rule.take, *self.rule.say})


def compiled(key: str, text: str) -> Expression:
    """Compiled. ``ValueError`` names the key."""
    try:
        return Expression(text)
    except ValueError as error:
        raise ValueError(f"{key}: {error}") from None


def _problems(rule: MessageRule, captures: set[str]) -> Iterator[str]:
    fields = _FIELDS[rule.gives]
    said = {*rule.take, *rule.say, *captures}
    for name, table in (("take", rule.take), ("say", rule.say), ("units", rule.units)):
        if unknown := sorted(table.keys() - fields):
            yield f"{name}.{unknown[0]}: {rule.gives} has no such part (it has {', '.join(sorted(fields))})"
    needs = {"line"} if rule.gives == "order" else {"line", "station"}
    needs |= {"slot"} if rule.gives == "supply" else set()
    if missing := needs - said:
        yield f"nothing says which {min(missing)}: neither the topic, nor take or say"
    if (some := _NEEDS[rule.gives]) and some.isdisjoint(said):
        yield f"take: {rule.gives} needs {' or '.join(sorted(some))}"
    if rule.counts == "delta" and rule.gives != "count":
        yield "counts: only a count has deltas"
    if rule.each > 1 and rule.counts == "delta" and not {"session", "seq"}.isdisjoint(said):
        yield "each: panels that come in parts can't be numbered by their source; leave out session and seq"
    yield from _misused(rule)


def _misused(rule: MessageRule) -> Iterator[str]:
    """What can't be meant, whatever the rule gives."""
    for field in ("slot", *COUNTERS, "usage", "part"):
        if "slots" in rule.take and rule.take.get(field, "").startswith("$."):
            yield f"take.{field}: it is looked for in each of the slots, not in the whole message"
    yield from wrong_bits(rule.bits)
    if any(unit <= 0 for unit in rule.units.values()):
        yield "units: a number over 0"
