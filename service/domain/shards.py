"""How a plant is divided among instances: each line belongs to exactly one of them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from fnmatch import fnmatchcase

CATCH_ALL = "*"
_MOST_REMEMBERED = 10_000
_LITERAL = re.compile(r"[A-Za-z0-9._-]{1,64}")
"""A name that topics say in one way: other letters may be composed otherwise there than in the settings."""


@dataclass(frozen=True, slots=True)
class Shard:
    """One instance's share: the lines that fit one of these shell patterns."""

    name: str
    lines: tuple[str, ...]

    @property
    def catches_all(self) -> bool:
        """Whether it has every line that no other shard's pattern fits."""
        return self.lines == (CATCH_ALL,)

    @property
    def literal(self) -> bool:
        """Whether its lines are named one by one, so that topics can be told by them."""
        return all(_LITERAL.fullmatch(pattern) for pattern in self.lines)


def fitting(line: str, shards: Iterable[Shard]) -> list[Shard]:
    """Those with a pattern that fits a line, by name; the catch-all isn't among them."""
    by_name = sorted(shards, key=lambda shard: shard.name)
    return [
        shard
        for shard in by_name
        if not shard.catches_all and any(fnmatchcase(line, pattern) for pattern in shard.lines)
    ]


def owner_of(line: str, shards: Sequence[Shard]) -> Shard | None:
    """Whose a line is: of those with a pattern that fits the one whose name sorts first, else the
    catch-all's. ``None``: nobody's."""
    return next(iter(fitting(line, shards) or (shard for shard in shards if shard.catches_all)), None)


@dataclass(slots=True)
class Division:
    """How the floor is divided, as one of the ``shards`` sees it."""

    own: Shard
    shards: Sequence[Shard]
    _ours: dict[str, bool] = field(default_factory=dict)

    @property
    def others(self) -> list[Shard]:
        return [shard for shard in self.shards if shard.name != self.own.name]

    def is_ours(self, line: str) -> bool:
        ours = self._ours.get(line)
        if ours is None:
            if len(self._ours) >= _MOST_REMEMBERED:  # somebody invents names
                self._ours.clear()
            ours = self._ours[line] = owner_of(line, self.shards) == self.own
        return ours


def filters_of(division: Division | None, root: str) -> list[str]:
    """The topic filters of our own contract that an instance needs: where its lines are named one by one, no
    more than those."""
    if division is None or not division.own.literal:
        return [f"{root}/#"]
    return [f"{root}/{line}/#" for line in division.own.lines if division.is_ours(line)]


def stale_of(division: Division | None, root: str, *, known: Iterable[str]) -> list[str]:
    """Those that its session may have from an earlier division, and that it doesn't need any more; ``known``:
    the lines that it remembers."""
    if division is None:
        return []
    named = {line for shard in division.shards if shard.literal for line in shard.lines}
    before = {f"{root}/#", *(f"{root}/{line}/#" for line in named.union(known))}
    return sorted(before.difference(filters_of(division, root)))
