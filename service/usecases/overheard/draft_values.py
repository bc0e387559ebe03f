"""Drafts for formats that say values under a name each: rules for the names, and what says whose they are."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import get_args

from service.usecases.overheard.alike import COUNTED, Varying, few, step_of
from service.usecases.overheard.guess import Guess, varying, wanted_by
from service.usecases.overheard.reading import Key, Place
from service.usecases.overheard.topics import is_literal
from service.usecases.overheard.words import lamp_of
from service.usecases.overheard.written import pair, remark
from service.wire.values import Meaning

MOST_UNTAKEN = 30
UNKNOWN = {"line": "L1", "station": "P1"}
"""What is written where nothing that was heard says it."""
EACH = "it rises by so many: boards of one panel"
MEANINGS = frozenset(get_args(Meaning))
_ORDER = (*COUNTED, "panels", "panel")


@dataclass(frozen=True, slots=True)
class Placed:
    """``named``: what each place (a node, a device, a writer) says; ``seen``: by which names."""

    named: Mapping[str, str] = field(default_factory=dict)
    seen: Mapping[str, Sequence[str]] = field(default_factory=dict)


def placed_by(guesses: Sequence[Guess]) -> Placed:
    """By the values that count, which have to say it all."""
    counted = [each for each in guesses if each.means in COUNTED] or [each for each in guesses if each.means]
    if not counted:
        return Placed()
    first = max(counted, key=lambda each: len(each.found.members))
    named, seen = {}, {}
    for capture, (step, whose) in enumerate(zip(varying(first.found), first.whose, strict=True)):
        if isinstance(step.of, Place) and whose:
            named[step.of.kind] = whose
            seen[step.of.kind] = first.found.distinct(capture)
    return Placed(named, seen)


def place_lines(placed: Placed) -> Iterator[str]:
    """``node = "{line}"`` and so on."""
    for kind, whose in placed.named.items():
        yield pair(kind, f"{{{whose}}}", f"heard {few(placed.seen[kind])}")


def value_rules(guesses: Sequence[Guess], placed: Placed) -> Iterator[str]:
    """The ``[[source.value]]`` tables, those that count first, and what isn't taken."""
    taken = [each for each in guesses if each.means in MEANINGS]
    for each in sorted(taken, key=rank):
        said = {*placed.named.values(), *each.whose}
        missing = [place for place in wanted_by(each.means) if place not in said]
        yield from value_rule(each, partial(name_of, each), missing)
    yield from untaken([each for each in guesses if each.means not in MEANINGS], name_of)


def rank(each: Guess) -> int:
    """What counts comes first."""
    return _ORDER.index(str(each.means)) if each.means in _ORDER else len(_ORDER)


def value_rule(
    each: Guess, name: Callable[[str], str], missing: Collection[str], more: Mapping[str, str] | None = None
) -> Iterator[str]:
    """One table; of lamps that go by other names than ours one for each (``name`` of that lamp). ``missing``:
    what the name doesn't say."""
    for called, lamp in foreign_lamps(each).items() or [("", lamp_of(*each.found.names) or "")]:
        yield ""
        yield "[[source.value]]"
        yield pair("name", name(called))
        yield pair("means", each.means, each.doubt)
        for key, value in (more or {}).items():
            yield pair(key, value)
        if each.counts != "total":
            yield pair("counts", each.counts, "it falls too")
        if each.each > 1:
            yield pair("each", each.each, EACH)
        if each.words:
            yield pair("words", each.words, "by the words that were heard")
        fixed = {place: UNKNOWN[place] for place in missing if place in UNKNOWN}
        doubt = f"nothing says the {' and the '.join(fixed)}: write it down" if fixed else ""
        if called or "lamp" in missing:
            fixed["lamp"] = lamp
        if fixed:
            yield pair("fixed", fixed, doubt)


def untaken(guesses: Sequence[Guess], name: Callable[[Guess], str]) -> Iterator[str]:
    """What is left out, for whoever knows better."""
    if guesses:
        yield ""
    for each in guesses[:MOST_UNTAKEN]:
        yield remark(f"not taken: {name(each)}: {each.doubt}")
    if len(guesses) > MOST_UNTAKEN:
        yield remark(f"not taken: {len(guesses) - MOST_UNTAKEN} more")


def name_of(each: Guess, lamp: str = "") -> str:
    """Its pattern, without what the places and the topic say; ``lamp``: that of this one alone. A level that
    no pattern can hold may be any."""
    levels = [""]
    captures = iter(each.whose)
    for step in each.found.pattern:
        whose = next(captures) if isinstance(step, Varying) else None
        one = step_of(step)
        if not isinstance(one, Key):
            continue
        if one.mark == "/":
            levels.append("")
        elif one.mark:
            levels[-1] += one.mark
        levels[-1] += _shown(one.text, whose, lamp)
    return "/".join("+" if "+" in level else level for level in levels)


def _shown(text: str, whose: str | None, lamp: str) -> str:
    """``whose``: what it names where it varies."""
    if whose == "lamp" and lamp:
        text, whose = lamp, None
    if whose:
        return f"{{{whose}}}"
    return text if whose is None and is_literal(text) else "+"


def foreign_lamps(each: Guess) -> dict[str, str]:
    """Which lamp each of the names is, where one of them isn't our own name of it."""
    for capture, whose in enumerate(each.whose):
        if whose == "lamp":
            lamps = {text: str(lamp_of(text)) for text in each.found.distinct(capture)}
            return {} if all(text.lower() == lamp for text, lamp in lamps.items()) else lamps
    return {}
