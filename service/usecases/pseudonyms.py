"""Other names for parts, lots, supplies, people, orders and recipes: the same for the same under one key.

A pattern goes on being a pattern: each name that fits it bears its tag, and the rule asks for the tag. So one
with an exact name still counts more than one with a pattern, and both meet whom they met.
"""

from __future__ import annotations

import hmac
import re
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from typing import Literal

from service.domain.policy import Policy

Kind = Literal["part", "lot", "supply", "who", "order", "recipe", "event", "notice", "site"]
"""``who``: people, rosters and outlets, which one list may name."""
LEFT_OUT = "(left out)"
SHORTEST_KEY = 16
_MARKS = frozenset("*?[")
_OURS = re.compile(r"first|(seen|at|moved|undone)-\d+")
"""Names of events that nobody gave, made of their moments."""
_DIGITS, _TAG = 12, 6


@dataclass(frozen=True, slots=True)
class Names:
    """``patterns`` are those of parts and of recipes that any settings of the recording have."""

    key: bytes = field(repr=False)
    patterns: tuple[tuple[Kind, str], ...] = ()
    _known: dict[tuple[Kind, str], str] = field(default_factory=dict, repr=False)

    def of(self, kind: Kind, name: str) -> str:
        """The other name; nothing stays nothing."""
        if not name or (kind == "event" and _OURS.fullmatch(name)):
            return name
        known = self._known.get((kind, name))
        if known is None:
            known = self._known[kind, name] = self._new(kind, name)
        return known

    def pattern(self, kind: Kind, pattern: str) -> str:
        """What the rule asks for now."""
        return f"*.{self._tag(kind, pattern)}.*" if is_pattern(pattern) else self.of(kind, pattern)

    def _new(self, kind: Kind, name: str) -> str:
        tags = [self._tag(kind, each) for of, each in self.patterns if of == kind and fnmatchcase(name, each)]
        begin = f"{kind}-{self._digest(kind, unicodedata.normalize('NFC', name))[:_DIGITS]}"
        return f"{begin}.{'.'.join(tags)}." if tags else begin

    def _tag(self, kind: Kind, pattern: str) -> str:
        return "x" + self._digest("pattern", kind, pattern)[:_TAG]

    def _digest(self, *what: str) -> str:
        return hmac.digest(self.key, "\x1f".join(what).encode("utf-8", "surrogatepass"), "sha256").hex()


def is_pattern(text: str) -> bool:
    return not _MARKS.isdisjoint(text)


def patterns_of(policies: Iterable[Policy]) -> tuple[tuple[Kind, str], ...]:
    """Every pattern of parts and recipes, each once."""
    return tuple(dict.fromkeys(each for policy in policies for each in _patterns(policy)))


def _patterns(policy: Policy) -> Iterator[tuple[Kind, str]]:
    asked: list[tuple[Kind, str | None]] = [("part", rule.part) for rule in policy.rules]
    asked += [("part", cost.part) for cost in policy.plan.parts]
    asked += [("part", rule.part) for rule in policy.moisture]
    asked += [("recipe", pattern) for pattern in policy.review.engineering]
    asked += [("recipe", takt.recipe) for takt in policy.review.takts]
    yield from ((kind, each) for kind, each in asked if each is not None and is_pattern(each))
