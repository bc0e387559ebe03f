"""What one message says by one rule, part by part: where each part was found, and as what it was read."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any, NamedTuple, TypeVar

from service.domain.model import Instant
from service.wire import readings
from service.wire.expressions import Expression
from service.wire.mapped_rules import COUNTERS, Made
from service.wire.native import Misfit, clean_name

T = TypeVar("T")
MOST_SHOWN = 3
"""Of a list; the others are alike."""
_MOST_NAMES = 65_536


class Step(NamedTuple):
    """``field`` was looked for by ``how`` (an expression, the topic or a constant) and this was there."""

    field: str
    how: str
    value: object


class Found:
    """``whole`` is the message, ``item`` the part of it that this is about. ``steps``, where somebody wants
    to know, is what was looked for."""

    def __init__(
        self, made: Made, whole: Any, item: Any, captures: Mapping[str, str], steps: list[Step] | None
    ) -> None:
        self.made = made
        self._whole = whole
        self._item = item
        self._captures = captures
        self._steps = steps

    def get(self, field: str) -> Any:
        """As the message gives it; ``None``: it isn't said."""
        expression = self.made.take.get(field)
        if expression is not None:
            found = expression.find(self._whole if expression.of_whole else self._item)
            self._note(field, expression.text, found)
            if found is not None:
                return found
        if field in self._captures:
            return self._noted(field, "topic", self._captures[field])
        if field in self.made.rule.say:
            return self._noted(field, "say", self.made.rule.say[field])
        return None

    def text(self, field: str) -> str | None:
        return self._read(field, self._text)

    def name(self, field: str) -> str:
        found = self.text(field)
        if found is None:
            raise Misfit(f"{self._where(field)}: nothing there")
        return clean_name(found, field)

    def whole(self, field: str) -> int | None:
        return self._read(field, lambda value: readings.whole(value, self.made.rule.units.get(field, 1)))

    def one_of(self, field: str, allowed: tuple[str, ...]) -> str | None:
        return self._read(field, lambda value: readings.one_of(value, self.made.rule.words, allowed))

    def time(self, field: str) -> Instant | None:
        return self._read(field, self.made.time)

    def key(self) -> str:
        return f"{self.name('line')}/{self.name('station')}"

    def slots(self) -> Iterator[tuple[str, dict[str, Any]]]:
        """Each slot with what is said of it, not read yet. A list or an object of slots; else parts that are
        objects with a value for each slot; else the one slot that this is about."""
        if "slots" in self.made.take:
            yield from self._items(self.get("slots"))
            return
        parts = {field: value for field in self._fields() if (value := self.get(field)) is not None}
        maps = {field: value for field, value in parts.items() if isinstance(value, dict)}
        if not maps:
            if parts:
                yield self.name("slot"), parts
            return
        for slot in dict.fromkeys(name for each in maps.values() for name in each):
            said = {field: value for field, each in maps.items() if (value := each.get(slot)) is not None}
            if said:
                yield self._slot(slot), said

    def _items(self, found: Any) -> Iterator[tuple[str, dict[str, Any]]]:
        if found is None:
            return
        if not isinstance(found, list | dict):
            raise Misfit(f"{self._where('slots')}: {repr(found)[:80]} is neither a list nor an object")
        named = self.made.take.get("slot")
        pairs = found.items() if isinstance(found, dict) else ((None, item) for item in found)
        fields = [
            (field, expression) for field in self._fields() if (expression := self.made.take.get(field))
        ]
        for place, (key, item) in enumerate(pairs):
            name = key if named is None else named.find(item)
            if self._steps is not None and place < MOST_SHOWN:
                self._show(place, key, item, named, fields)
            parts = {field: value for field, each in fields if (value := each.find(item)) is not None}
            if parts:
                yield self._slot(name, place), parts

    def _fields(self) -> tuple[str, ...]:
        return ("usage", "part") if self.made.rule.gives == "recipe" else COUNTERS

    def _slot(self, said: object, place: int | None = None) -> str:
        known = self.made.names.get(said) if isinstance(said, str) else None
        if known is not None:
            return known
        try:
            name = clean_name(self._text(said) or "", "slot")
        except Misfit as misfit:
            raise Misfit(str(misfit) if place is None else f"slots[{place}]: {misfit}") from None
        if isinstance(said, str) and len(self.made.names) < _MOST_NAMES:
            self.made.names[said] = name
        return name

    def _show(
        self,
        place: int,
        key: str | None,
        item: Any,
        named: Expression | None,
        fields: list[tuple[str, Expression]],
    ) -> None:
        where = f"slots[{place}]"
        if named is None:
            self._note(f"{where}.slot", "its key", key)
        for field, expression in ([] if named is None else [("slot", named)]) + fields:
            self._note(f"{where}.{field}", expression.text, expression.find(item))

    def _text(self, value: object) -> str | None:
        found = readings.text(value)
        return found if found is None else self.made.rule.words.get(found, found)

    def _read(self, field: str, read: Callable[[Any], T]) -> T | None:
        value = self.get(field)
        if value is None:
            return None
        try:
            return read(value)
        except Misfit as misfit:
            raise Misfit(f"{self._where(field)}: {misfit}") from None

    def _where(self, field: str) -> str:
        expression = self.made.take.get(field)
        return field if expression is None else f"{field} ({expression.text})"

    def _noted(self, field: str, how: str, value: str) -> str:
        self._note(field, how, value)
        return value

    def _note(self, field: str, how: str, value: object) -> None:
        if self._steps is not None:
            self._steps.append(Step(field, how, value))
