"""Any JSON into our own messages, by rules: whole messages by expressions, and topics with one value each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import NamedTuple

from service.domain.model import Instant
from service.wire.batches import Batch
from service.wire.gateway import Memory, Native, Plain
from service.wire.mapped_found import Step
from service.wire.mapped_reads import Content, Single, Speaks, Whole
from service.wire.mapped_rules import MessageRule, ValueAt
from service.wire.mapped_says import Out
from service.wire.native import Misfit
from service.wire.patterns import fewest
from service.wire.values import REMEMBERED, Gathered, Values, check

_MOST_KNOWN = 65_536


class Told(NamedTuple):
    """What one rule (by its place in the configuration) finds in a message: whether it means it, the
    ``steps`` that it looked for, and why it is ``refused``."""

    rule: str
    means_it: bool
    steps: list[Step]
    refused: str | None


class _Meant(NamedTuple):
    name: str
    rule: Speaks
    whose: Mapping[str, str]


class MappedTranslator(Plain):
    """``ValueError`` says which rule can't be used, and why. What no rule is for isn't subscribed to, and
    refused should it come."""

    def __init__(
        self, source: str, messages: Sequence[MessageRule], values: Sequence[ValueAt], timezone: str
    ) -> None:
        self.memory: Memory[Gathered] = Memory(Gathered, Gathered)
        self._source = source
        self._values = Values(source, [each.rule for each in values], self.memory)
        self._rules: dict[str, Speaks] = {}
        for number, whole in enumerate(messages):
            self._rules[f"message[{number}]"] = Whole(whole, timezone)
        for number, single in enumerate(values):
            self._rules[f"value[{number}]"] = Single(single, timezone)
        numbered = {rule.numbered for rule in self._rules.values() if rule.numbered is not None}
        self.begins_with_first = False in numbered
        """Its totals may begin anywhere."""
        if len(numbered) > 1:
            raise ValueError(
                "some of its counts take a session or a number and some don't: at one station they would"
                " replace each other (give each kind a source of its own)"
            )
        self.filters = fewest([rule.pattern.filter for rule in self._rules.values()])
        self._meant = lru_cache(maxsize=_MOST_KNOWN)(self._rules_for)

    def hear(
        self, topic: str, payload: bytes, *, at: Instant, retained: bool = False
    ) -> Sequence[Native] | None:
        content, out = Content(payload), Out(self._source, at, retained=retained)
        for _, rule, whose in self._meant(topic):
            rule.speak(topic, whose, content, out, None)
        for key, each in out.said:
            if each.kind in REMEMBERED:
                check(key, each)
        remembered = [(key, Batch()) for key, each in out.said if each.kind in REMEMBERED]
        self._values.check_room([*out.heard.items(), *remembered])
        said = [native for key, each in out.said for native in self._values.tell(key, each, at=at)]
        for key, batch in out.heard.items():
            said += self._values.gather(key, batch, {}, at=at)
        said.sort(key=lambda native: native.address.kind == "count")
        return said

    def look(self, at: Instant) -> Sequence[Native]:
        return self._values.look(at)

    def next_moment(self) -> Instant | None:
        return self._values.next_moment()

    def explain(self, topic: str, payload: bytes, *, at: Instant) -> list[Told]:
        """What each rule for that topic finds; nothing is remembered of it. Raises ``Misfit`` where there is
        no rule."""
        content = Content(payload)
        return [_told(meant, topic, content, Out(self._source, at)) for meant in self._meant(topic)]

    def _rules_for(self, topic: str) -> list[_Meant]:
        fitting = ((name, rule, rule.pattern.match(topic)) for name, rule in self._rules.items())
        found = [_Meant(name, rule, whose) for name, rule, whose in fitting if whose is not None]
        if not found:
            raise Misfit(f"no rule is for the topic {topic[:200]!r}")
        return found


def _told(meant: _Meant, topic: str, content: Content, out: Out) -> Told:
    steps: list[Step] = []
    try:
        means_it = meant.rule.speak(topic, meant.whose, content, out, steps)
    except Misfit as misfit:
        return Told(meant.name, True, steps, str(misfit))
    return Told(meant.name, means_it, steps, None)
