"""How a plant is divided among instances: each line belongs to exactly one of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from fnmatch import fnmatchcase

CATCH_ALL = "*"
_MOST_REMEMBERED = 10_000
_SPECIAL = frozenset("*?[")


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
        """Whether its lines are named one by one."""
        return not any(_SPECIAL & set(pattern) for pattern in self.lines)


def owner_of(line: str, shards: Iterable[Shard]) -> Shard | None:
    """Whose a line is: of those with a pattern that fits the one whose name sorts first, else the
    catch-all's. ``None``: nobody's."""
    by_name = sorted(shards, key=lambda shard: shard.name)
    for shard in by_name:
        if not shard.catches_all and any(fnmatchcase(line, pattern) for pattern in shard.lines):
            return shard
    return next((shard for shard in by_name if shard.catches_all), None)


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
