"""A draft for JSON that no standard describes: rules for messages, and for topics with one value each."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from service.usecases.overheard.alike import Varying
from service.usecases.overheard.draft_values import EACH, MEANINGS, UNKNOWN, rank, untaken, value_rule
from service.usecases.overheard.gather import Heard
from service.usecases.overheard.guess import Guess, wanted_by
from service.usecases.overheard.message_rules import Rule, Topics, rules_of, way
from service.usecases.overheard.reading import Key, Step
from service.usecases.overheard.tell import where
from service.usecases.overheard.topics import inside, levels_of, named_by
from service.usecases.overheard.words import has_meaning
from service.usecases.overheard.written import pair

_GIVES = ("count", "supply", "recipe", "order", "tower", "link")
_LAMPS = ("red", "yellow", "green", "buzzer", "blue", "white")
_TIMES = {"rfc3339": "rfc3339", "local": "rfc3339", "unix_s": "s", "unix_ms": "ms", "unix_us": "us"}


def mapped(heard: Heard, said: list[Guess]) -> Iterator[str]:
    usual = _usual_time(said)
    if usual != "rfc3339":
        yield pair("time", usual, "by the numbers that look like times of now")
    messages: list[tuple[Topics, Rule]] = []
    values: list[tuple[Topics, Guess]] = []
    for topics in _by_topic(said):
        if (one := _single(topics)) is not None:
            values.append((topics, one))
        else:
            messages += [(topics, rule) for rule in rules_of(topics)]
    for topics, rule in sorted(messages, key=lambda each: _GIVES.index(each[1].gives)):
        yield from _message(topics, rule, usual)
    for topics, one in sorted(values, key=lambda each: rank(each[1])):
        yield from _value(topics, one, usual)
    taken = {id(each) for _, rule in messages for each in rule.used} | {id(each) for _, each in values}
    yield from untaken([each for each in said if id(each) not in taken and each.means != "at"], _where)


def _by_topic(said: Sequence[Guess]) -> list[Topics]:
    groups: dict[tuple[Step | Varying, ...], list[Guess]] = {}
    for each in said:
        groups.setdefault(levels_of(each.found), []).append(each)
    return [Topics(guesses) for guesses in groups.values()]


def _usual_time(said: Sequence[Guess]) -> str:
    forms = Counter(form for each in said if (form := _form(each)) is not None)
    return forms.most_common(1)[0][0] if forms else "rfc3339"


def _form(each: Guess) -> str | None:
    return _TIMES[each.time] if each.means == "at" and each.time else None


def _where(each: Guess) -> str:
    return where(each.found)


def _single(topics: Topics) -> Guess | None:
    """A bare value, or the one value of an object that is named by the topic alone."""
    known = topics.by(*MEANINGS)
    if len(known) != 1:
        return None
    steps = inside(known[0].found)
    bare = not steps or (len(steps) == 1 and isinstance(steps[0], Key) and not has_meaning(steps[0].text))
    return known[0] if bare else None


def _value(topics: Topics, each: Guess, usual: str) -> Iterator[str]:
    named = named_by(each.found, wanted_by(each.means))
    more: dict[str, str] = {}
    if steps := inside(each.found):
        more["value"] = way(steps)
        for at in topics.by("at")[:1]:
            more |= {"at": way(inside(at.found)), **_other_time(at, usual)}
    yield from value_rule(each, lambda lamp: named.pattern(lamp=lamp), named.missing, more)


def _other_time(at: Guess, usual: str) -> dict[str, str]:
    form = _form(at)
    return {} if form in {None, usual} else {"time": str(form)}


def _message(topics: Topics, rule: Rule, usual: str) -> Iterator[str]:
    named = named_by(topics.guesses[0].found, rule.wanted)
    yield ""
    yield "[[source.message]]"
    yield pair("topic", named.pattern(), named.doubt)
    yield pair("gives", rule.gives)
    if rule.items is not None:
        yield pair("items", rule.items, "a message of its own for each element")
    if rule.counts != "total":
        yield pair("counts", rule.counts, "it falls too")
    for at in topics.by("at")[:1]:
        for key, value in _other_time(at, usual).items():
            yield pair(key, value, at.doubt)
    for part, (expression, doubt) in rule.take.items():
        yield pair(f"take.{part}", expression, doubt)
    if rule.words:
        yield pair("words", rule.words, "by the words that were heard")
    if rule.each > 1:
        yield pair("each", rule.each, EACH)
    if rule.bits:
        bits = {str(bit): lamp for bit, lamp in enumerate(_LAMPS[: max(rule.bits, 4)])}
        yield pair("bits", bits, "which bit is which lamp can't be heard: write it down")
    for place in named.missing:
        yield pair(f"say.{place}", UNKNOWN.get(place, "F1"), f"nothing says the {place}: write it down")
