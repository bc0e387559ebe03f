"""What a rule says of the values whose names fit its pattern: what they mean, and whose they are."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Literal, NamedTuple

import msgspec

from service.domain.model import Instant
from service.wire.native import Misfit, clean_name
from service.wire.patterns import Pattern, constants

Meaning = Literal[
    "placed",
    "picked",
    "lost",
    "empty",
    "panels",
    "panel",
    "part",
    "lot",
    "supply",
    "kind",
    "quantity",
    "lamp",
    "lamps",
    "buzzer",
    "link",
    "recipe",
    "usage",
    "order",
    "order_panels",
    "order_state",
]
COUNTS = frozenset({"placed", "picked", "lost", "empty"})
TOTALS = COUNTS | {"panels"}
OF_LOADS = frozenset({"supply", "lot", "part", "kind", "quantity"})
OF_ORDERS = {"order": "order", "order_panels": "panels", "order_state": "state"}
_OF_SLOTS = COUNTS | OF_LOADS | {"usage"}
_WHOSE = frozenset({"line", "station", "slot", "lamp", "recipe"})


class Value(NamedTuple):
    """One value as a format decoded it: ``content`` is a bool, int, float, str or ``None`` (unknown now), or
    what JSON gives. ``at`` is the source's own time of it."""

    name: str
    content: object
    at: Instant | None = None


class Rule(msgspec.Struct, frozen=True, kw_only=True):
    """Values whose name fits ``name`` are this. ``name`` is a pattern (``wire.patterns``) whose captures
    ``line``, ``station``, ``slot``, ``lamp`` say whose they are; ``fixed`` says what the name doesn't (also
    ``recipe``, where only usage is heard).

    ``each``: so many units of a counter are one (boards of a panel); ``times``: one unit is so many (1000 for
    a quantity in thousands). ``words``: what the device's words mean; ``bits``: which bit is which lamp."""

    name: str
    means: Meaning
    counts: Literal["total", "delta"] = "total"
    each: int = 1
    words: Mapping[str, str] = {}
    bits: Mapping[str, str] = {}
    fixed: Mapping[str, str] = {}
    times: float = 1

    def counts_now(self, *, live: bool = True, retained: bool = False) -> bool:
        """Whether a value counts that may be from before, or kept by the broker: totals always do."""
        if self.means in TOTALS and self.counts == "total":
            return True
        return live and not (retained and (self.means == "panel" or self.counts == "delta"))


class Target(NamedTuple):
    """Whose a value is by one rule: ``key`` is that of the piece of memory, ``line/station`` or, of an order,
    the line."""

    rule: Rule
    key: str
    slot: str = ""
    lamp: str = ""
    recipe: str | None = None


class Reader:
    """A rule made ready. ``ValueError`` says what in it can't be used."""

    def __init__(self, rule: Rule) -> None:
        self.rule = rule
        self.pattern = Pattern(rule.name)
        self._fixed = constants(rule.fixed)
        for problem in _problems(rule, self.pattern):
            raise ValueError(f"{rule.name} ({rule.means}): {problem}")

    def target(self, place: Mapping[str, str], name: str) -> Target | None:
        """Whose the value of that name is; ``None``: the rule means another. Raises ``Misfit`` where nothing
        says whose it is."""
        captures = self.pattern.match(name)
        return None if captures is None else self.target_of(place, captures, name)

    def target_of(self, place: Mapping[str, str], captures: Mapping[str, str], name: str) -> Target:
        """The same with what the name says already."""
        whose = {**place, **self._fixed, **captures}
        means = self.rule.means
        line = _whose(whose, "line", name)
        if means in OF_ORDERS:
            return Target(self.rule, line)
        key = f"{line}/{_whose(whose, 'station', name)}"
        if means in _OF_SLOTS:
            return Target(self.rule, key, slot=_whose(whose, "slot", name), recipe=whose.get("recipe"))
        if means == "lamp":
            if "lamp" not in whose:
                raise Misfit(f"{name[:80]!r}: nothing says which lamp that is")
            return Target(self.rule, key, lamp=whose["lamp"].lower())
        return Target(self.rule, key)


def wrong_bits(bits: Mapping[str, str]) -> Iterator[str]:
    """Why some can't be used."""
    for bit in bits:
        if not bit.isascii() or not bit.isdecimal() or int(bit) > 52:
            yield f"bits: {bit!r} isn't a number from 0 to 52"


def _whose(whose: Mapping[str, str], what: str, name: str) -> str:
    found = whose.get(what)
    if found is None:
        raise Misfit(f"{name[:80]!r}: nothing says which {what} that is")
    return clean_name(found, what)


def _problems(rule: Rule, pattern: Pattern) -> Iterator[str]:
    if unknown := rule.fixed.keys() - _WHOSE:
        yield f"fixed.{min(unknown)} is none of {', '.join(sorted(_WHOSE))}"
    if rule.counts == "delta" and rule.means not in TOTALS:
        yield "only counters have deltas"
    yield from wrong_bits(rule.bits)
    if rule.each < 1 or rule.times <= 0:
        yield "`each` is a whole number from 1, and `times` more than 0"
