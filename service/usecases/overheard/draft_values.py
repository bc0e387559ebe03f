"""Drafts for formats that say values under a name each: rules for the names, and what says whose they are."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import get_args

from service.usecases.overheard.alike import COUNTED, Varying
from service.usecases.overheard.guess import OF_A_LINE, Guess, varying
from service.usecases.overheard.reading import Key, Place
from service.usecases.overheard.tree import few
from service.usecases.overheard.words import lamp_of
from service.usecases.overheard.written import pair, remark
from service.wire.values import Meaning

MOST_UNTAKEN = 30
UNKNOWN = {"line": "L1", "station": "P1"}
"""What is written where nothing that was heard says it."""
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


def rules(guesses: Sequence[Guess], placed: Placed) -> Iterator[str]:
    """The ``[[source.value]]`` tables, those that count first, and what isn't taken."""
    taken = [each for each in guesses if each.means in MEANINGS]
    rank = {meaning: place for place, meaning in enumerate(_ORDER)}
    for each in sorted(taken, key=lambda one: rank.get(str(one.means), len(rank))):
        yield from _rule(each, placed)
    untaken = [each for each in guesses if each.means not in MEANINGS]
    for each in untaken[:MOST_UNTAKEN]:
        yield remark(f"not taken: {name_of(each)}: {each.doubt}")
    if len(untaken) > MOST_UNTAKEN:
        yield remark(f"not taken: {len(untaken) - MOST_UNTAKEN} more")


def _rule(each: Guess, placed: Placed) -> Iterator[str]:
    """One table; of lamps that go by other names than ours one for each."""
    lamps = foreign_lamps(each)
    for name, lamp in lamps.items() or [("", "")]:
        yield ""
        yield "[[source.value]]"
        yield pair("name", name_of(each, lamp=name))
        yield pair("means", each.means, each.doubt)
        if each.counts != "total":
            yield pair("counts", each.counts, "it falls too")
        if each.words:
            yield pair("words", each.words, "by the words that were heard")
        fixed = fixed_of(each, set(placed.named.values())) | ({"lamp": lamp} if lamp else {})
        if fixed:
            missing = " and the ".join(sorted(fixed.keys() & UNKNOWN.keys()))
            yield pair("fixed", fixed, f"nothing says the {missing}: write it down" if missing else "")


def name_of(each: Guess, *, lamp: str = "") -> str:
    """Its pattern, without what the places say; ``lamp``: that of this one alone."""
    text = ""
    captures = iter(each.whose)
    for step in each.found.pattern:
        whose = next(captures) if isinstance(step, Varying) else ""
        one = step.of if isinstance(step, Varying) else step
        if not isinstance(one, Key):
            continue
        if whose == "lamp" and lamp:
            text += one.mark + lamp
        else:
            text += one.mark + (f"{{{whose}}}" if whose else "+" if isinstance(step, Varying) else one.text)
    return text


def fixed_of(each: Guess, places: set[str]) -> dict[str, str]:
    """What nothing says: a lamp by the word for its colour, else the line and the station."""
    fixed: dict[str, str] = {}
    said = places | set(each.whose)
    for place in ("line",) if each.means in OF_A_LINE else ("line", "station"):
        if place not in said:
            fixed[place] = UNKNOWN[place]
    if each.means == "lamp" and "lamp" not in said and (lamp := lamp_of(*each.found.names)):
        fixed["lamp"] = lamp
    return fixed


def foreign_lamps(each: Guess) -> dict[str, str]:
    """Which lamp each of the names is, where one of them isn't our own name of it."""
    for capture, whose in enumerate(each.whose):
        if whose == "lamp":
            lamps = {text: str(lamp_of(text)) for text in each.found.distinct(capture)}
            return {} if all(text.lower() == lamp for text, lamp in lamps.items()) else lamps
    return {}
