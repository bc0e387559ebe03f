"""Rules at work on one payload: a message said by expressions, or a topic with one value."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Protocol

import msgspec

from service.wire import batches
from service.wire.expressions import Expression
from service.wire.mapped_found import MOST_SHOWN, Found, Step
from service.wire.mapped_rules import Made, MessageRule, ValueAt, compiled
from service.wire.mapped_says import SAY, Out
from service.wire.native import Misfit
from service.wire.patterns import Pattern
from service.wire.rules import OF_LOADS, TOTALS, Reader, Target
from service.wire.times import reader

_UNREAD = object()
_MOST_KNOWN = 65_536
_TEXTS = OF_LOADS - {"quantity"} | {"recipe", "order"}


class Content:
    """A payload, read as JSON once somebody asks."""

    def __init__(self, payload: bytes) -> None:
        self._payload = payload
        self._data: Any = _UNREAD

    def data(self) -> Any:
        """Raises ``Misfit``."""
        if self._data is _UNREAD:
            try:
                self._data = msgspec.json.decode(self._payload)
            except RecursionError:
                raise Misfit("the payload is nested too deeply") from None
            except (msgspec.MsgspecError, ValueError) as error:
                raise Misfit(f"the payload is no JSON: {error}") from None
        return self._data

    def scalar(self, *, text: bool) -> Any:
        """JSON, else plain text; a number as it was written where a ``text`` is meant: a lot may be 1E5."""
        try:
            data = self.data()
        except Misfit:
            return self._text()
        return self._text() if text and isinstance(data, int | float) else data

    def _text(self) -> str:
        try:
            return self._payload.decode("utf-8").strip()
        except UnicodeDecodeError as error:
            raise Misfit(f"the payload isn't UTF-8 (byte {error.start})") from None


class Speaks(Protocol):
    """A rule made ready for the topics of ``pattern``. ``numbered``: whether the counts that it gives name
    their session or number; ``None``: it gives none."""

    pattern: Pattern
    numbered: bool | None

    def speak(
        self, topic: str, whose: Mapping[str, str], content: Content, out: Out, steps: list[Step] | None
    ) -> bool:
        """Whether the rule means this message; what it says goes to ``out``. ``whose``: what the topic says.
        ``steps``, where somebody wants to know: what was looked for. Raises ``Misfit``."""


class Whole:
    def __init__(self, rule: MessageRule, timezone: str) -> None:
        self._made = Made(rule, timezone)
        self.pattern = self._made.pattern
        self.numbered = self._made.numbered if rule.gives in ("count", "panel") else None

    def speak(
        self, topic: str, whose: Mapping[str, str], content: Content, out: Out, steps: list[Step] | None
    ) -> bool:
        made, whole = self._made, content.data()
        if made.when is not None and not _holds(_look(made.when, "when", whole, steps)):
            return False
        for place, item in enumerate(self._items(whole, steps)):
            shown = steps if place < MOST_SHOWN else None
            SAY[made.rule.gives](Found(made, whole, item, whose, shown), out)
        return True

    def _items(self, whole: Any, steps: list[Step] | None) -> Sequence[Any]:
        if self._made.items is None:
            return (whole,)
        found = _look(self._made.items, "items", whole, steps)
        if not isinstance(found, list | None):
            raise Misfit(f"items ({self._made.items.text}): {repr(found)[:80]} is no list")
        return found or ()


class Single:
    def __init__(self, rule: ValueAt, timezone: str) -> None:
        self._reader = Reader(rule.rule)
        self._targets: dict[str, Target] = {}
        self._value = None if rule.value is None else compiled("value", rule.value)
        self._at = None if rule.at is None else compiled("at", rule.at)
        self._time = reader(rule.time, timezone)
        self.pattern = self._reader.pattern
        self.numbered = False if rule.rule.means in (*TOTALS, "panel") else None

    def speak(
        self, topic: str, whose: Mapping[str, str], content: Content, out: Out, steps: list[Step] | None
    ) -> bool:
        rule = self._reader.rule
        if not rule.counts_now(retained=out.retained):
            return False
        target = self._targets.get(topic)
        if target is None:
            target = self._reader.target_of({}, whose, topic)
            if len(self._targets) < _MOST_KNOWN:
                self._targets[topic] = target
        if self._value is None:
            value = content.scalar(text=rule.means in _TEXTS)
            if steps is not None:
                steps.append(Step(rule.means, "payload", value))
        else:
            value = _look(self._value, rule.means, content.data(), steps)
        at = None if self._at is None else self._time(_look(self._at, "at", content.data(), steps))
        try:
            batches.read(out.batch(target.key), target, value, at, out.at)
        except Misfit as misfit:
            raise Misfit(f"{rule.means}: {misfit}") from None
        return True


def _look(expression: Expression, field: str, data: Any, steps: list[Step] | None) -> Any:
    found = expression.find(data)
    if steps is not None:
        steps.append(Step(field, expression.text, found))
    return found


def _holds(found: object) -> bool:
    """As JMESPath has it: false, nothing and what is empty don't hold; 0 does."""
    return found is not None and found is not False and found not in ("", [], {})
