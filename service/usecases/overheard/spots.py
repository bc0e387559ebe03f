"""Where values stand: each spot is found by a key from the one above, so hearing a value again is cheap."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from typing import TypeVar

from service.usecases.overheard.reading import Item, Key, Step
from service.usecases.overheard.track import Track
from service.usecases.overheard.words import names_a_place, tells_a_secret

MOST_IN_ONE = 2000
"""Values that are read of one payload."""
DEEPEST = 12
K = TypeVar("K")
LONGEST_NAME = 80
LONGEST_WAY = 300
"""Characters of all the names that lead to a value."""
FULL = "further values"
TOO_LONG = "values with very long names"


class Spot:
    """``steps`` lead to it; ``dialect``: in which it was told. ``track``: how what was said there behaved,
    ``None`` while nothing was. ``field``: by which the elements of an array were told apart there.
    ``secret``: what is said there is, by its name, for nobody else."""

    __slots__ = ("below", "dialect", "field", "secret", "steps", "track")

    def __init__(self, dialect: str, steps: tuple[Step, ...]) -> None:
        self.dialect = dialect
        self.steps = steps
        self.below: dict[str | Item, Spot] = {}
        self.field: str | None = None
        self.track: Track | None = None
        self.secret = any(tells_a_secret(step.text) for step in steps)


Said = tuple[Spot, object]


class Spots:
    """At most ``most`` of them, of all dialects. ``cut`` counts what got none, by the reason."""

    def __init__(self, most: int, cut: Counter[str]) -> None:
        self._cut = cut
        self._left = most
        self._roots: dict[tuple[str, tuple[Step, ...]], Spot] = {}

    def root(self, dialect: str, steps: tuple[Step, ...]) -> Spot | None:
        """The one below which a message's values are; ``None``: there is no room for it."""
        return self._roots.get((dialect, steps)) or self._make(self._roots, (dialect, steps), dialect, steps)

    def below(self, spot: Spot | None, name: str, steps: Callable[[str], tuple[Step, ...]]) -> Spot | None:
        """The one called so; ``steps`` of its name lead there from ``spot``."""
        if spot is None:
            return None
        return spot.below.get(name) or self._make(spot.below, name, spot.dialect, spot.steps + steps(name))

    def values(self, spot: Spot | None, document: object) -> list[Said]:
        """The single values in what JSON gave, in their order: about ``MOST_IN_ONE`` at most, and no deeper
        than ``DEEPEST``."""
        found: list[Said] = []
        if spot is not None:
            self._gather(spot, document, DEEPEST, found)
        return found

    def _gather(self, spot: Spot, content: object, deepest: int, found: list[Said]) -> None:
        inside: Iterator[Said]
        if isinstance(content, dict) and deepest:
            inside = self._of_object(spot, content)
        elif isinstance(content, list) and deepest:
            inside = self._of_array(spot, content)
        else:
            found.append((spot, content))
            return
        for below, each in inside:
            if len(found) >= MOST_IN_ONE:
                return
            if isinstance(each, (dict, list)):
                self._gather(below, each, deepest - 1, found)
            else:
                found.append((below, each))

    def _of_object(self, spot: Spot, content: dict[str, object]) -> Iterator[Said]:
        known = spot.below
        for key, each in content.items():
            if (below := known.get(key) or self._of_key(spot, key)) is not None:
                yield below, each

    def _of_key(self, spot: Spot, key: str) -> Spot | None:
        return self.below(spot, key[:LONGEST_NAME], lambda name: (Key(name),))

    def _of_array(self, spot: Spot, elements: list[object]) -> Iterator[Said]:
        elements = elements[:MOST_IN_ONE]
        field = spot.field = naming_field(elements, spot.field)
        for each in elements:
            text = str(each[field])[:LONGEST_NAME] if field is not None and isinstance(each, dict) else ""
            item = Item(field or "", text)
            below = spot.below.get(item) or self._make(spot.below, item, spot.dialect, (*spot.steps, item))
            if below is not None:
                yield below, each

    def _make(self, known: dict[K, Spot], key: K, dialect: str, steps: tuple[Step, ...]) -> Spot | None:
        if self._left <= 0:
            self._cut[FULL] += 1
            return None
        if sum(len(step.text) + 1 for step in steps) > LONGEST_WAY:
            self._cut[TOO_LONG] += 1
            return None
        self._left -= 1
        spot = known[key] = Spot(dialect, steps)
        return spot


def naming_field(elements: Sequence[object], before: str | None = None) -> str | None:
    """The field by which an array's objects are told apart: that of ``before`` while it does, else one whose
    name says so, else the first text that differs in each."""
    objects = [each for each in elements if isinstance(each, dict)]
    if not objects or len(objects) != len(elements):
        return None
    if before is not None and _tells_apart(before, objects):
        return before
    fits = [field for field in objects[0] if not tells_a_secret(field) and _tells_apart(field, objects)]
    named = sorted((field for field in fits if names_a_place(field)), key=names_a_place, reverse=True)
    texts = [field for field in fits if isinstance(objects[0][field], str)]
    return next(iter([*named, *texts]), None)


def _tells_apart(field: str, objects: Sequence[dict[str, object]]) -> bool:
    said = [each.get(field) for each in objects]
    return {*map(type, said)} <= {str, int} and len({*map(str, said)}) == len(said)
