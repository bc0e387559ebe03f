"""Which values are the same thing of several lines, machines and slots: names into patterns.

A step varies where it looks like a name that plants give (``L3``, ``F07``), where it is an element of an
array, and where several steps side by side lead to the same values (``left/placed``, ``right/placed``). Words
of the trade don't vary: ``placed`` and ``lost`` side by side are two things, not one of two slots.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Generic, NamedTuple, TypeVar

from service.usecases.overheard.reading import Item, Key, Level, Place, Step
from service.usecases.overheard.words import has_meaning, is_a_name, is_known, lamp_of, meaning_of

COUNTED = ("placed", "lost", "picked")
T = TypeVar("T")
SHOWN = 4
"""Names that are shown of a step that varies."""
_MOST_COMPARED = 100
_SAME = 0.6
"""The share of what two steps lead to that they have in common when they are two of one kind."""


class Varying(NamedTuple):
    """A step that differs from one value to the next; ``of`` is one of them."""

    of: Step


def step_of(step: Step | Varying) -> Step:
    """Itself, or one of those that it stands for."""
    return step.of if isinstance(step, Varying) else step


@dataclass(frozen=True, slots=True, kw_only=True)
class Alike(Generic[T]):
    """``pattern``: the steps they have in common; ``members``: what stood for each varying one, and what is
    known of that value."""

    pattern: tuple[Step | Varying, ...]
    members: Mapping[tuple[str, ...], T]

    @property
    def names(self) -> list[str]:
        """The words of the steps that don't vary, outermost first."""
        return [step.text for step in self.pattern if not isinstance(step, Varying)]

    def distinct(self, capture: int) -> list[str]:
        return sorted({texts[capture] for texts in self.members})


_Member = tuple[tuple[Step, ...], tuple[str, ...], T]


def alike(series: Mapping[tuple[Step, ...], T]) -> list[Alike[T]]:
    """All of them, gathered; in the order in which they were first heard."""
    found: list[Alike[T]] = []
    _gather((), [(steps, (), known) for steps, known in series.items()], found)
    return found


def _gather(
    pattern: tuple[Step | Varying, ...], members: Sequence[_Member[T]], found: list[Alike[T]]
) -> None:
    depth = len(pattern)
    ended = {texts: known for steps, texts, known in members if len(steps) == depth}
    if ended:
        found.append(Alike(pattern=pattern, members=ended))
    children: dict[Step, list[_Member[T]]] = {}
    for member in members:
        if len(member[0]) > depth:
            children.setdefault(member[0][depth], []).append(member)
    varying = _varying(pattern, children)
    for together in _together(varying, children):
        inside = [
            (steps, (*texts, steps[depth].text), known)
            for step in together
            for steps, texts, known in children[step]
        ]
        _gather((*pattern, Varying(together[0])), inside, found)
    for step, inside in children.items():
        if step not in varying:
            _gather((*pattern, step), inside, found)


def _together(varying: Iterable[Step], children: Mapping[Step, list[_Member[T]]]) -> list[list[Step]]:
    """Steps of one kind belong together: elements of arrays those of one field, lamps among themselves."""
    groups: dict[object, list[Step]] = {}
    for step in children:
        if step in varying:
            of = getattr(step, "field", getattr(step, "kind", None))
            groups.setdefault((type(step), of, lamp_of(step.text) is not None), []).append(step)
    return list(groups.values())


def _varying(pattern: Sequence[Step | Varying], children: Mapping[Step, Sequence[_Member[T]]]) -> set[Step]:
    depth = len(pattern) + 1
    sure = {step for step in children if _surely_varies(step)}
    colours = {step for step in children if step not in sure and lamp_of(step.text)}
    rest = [step for step in children if step not in sure and not has_meaning(step.text)]
    open_ones = [step for step in rest if step not in colours and not is_known(step.text)]
    compared = [*sure, *open_ones] if open_ones and len(sure) + len(open_ones) > 1 else []
    ways = {step: _ways(children[step], depth) for step in compared}
    counted = _is_counted(pattern)
    twins = _with_a_twin(Counter(ways.values()))
    same = {
        step for step in open_ones if step in ways and (counted or any(ways[step])) and ways[step] in twins
    }
    return sure | same | colours


def _with_a_twin(known: Counter[_Ways]) -> set[_Ways]:
    """Those that another step has too, or nearly; of very many that differ only some are compared."""
    some = list(known)[:_MOST_COMPARED]
    return {
        one
        for one, times in known.items()
        if times > 1 or any(_resemble(one, other) for other in some if other is not one)
    }


def _resemble(one: _Ways, other: _Ways) -> bool:
    return len(one & other) >= _SAME * len(one | other)


def _surely_varies(step: Step) -> bool:
    if isinstance(step, Place):
        return bool(step.text)
    return isinstance(step, Item) or is_a_name(step.text)


def _is_counted(pattern: Sequence[Step | Varying]) -> bool:
    """Below ``placed`` stand slots."""
    last = pattern[-1] if pattern else None
    return isinstance(last, (Key, Level)) and meaning_of([last.text]) in COUNTED


_Ways = frozenset[tuple[str, ...]]


def _ways(members: Sequence[_Member[T]], depth: int) -> _Ways:
    """Where a step leads to, with what varies left out."""
    return frozenset(
        tuple("*" if _surely_varies(step) else step.text for step in steps[depth:]) for steps, _, _ in members
    )


def few(texts: Sequence[str]) -> str:
    """One as it is; of several some in braces, and how many they are when there are more."""
    if len(texts) == 1:
        return texts[0]
    if len(texts) <= SHOWN:
        return "{" + ", ".join(texts) + "}"
    return "{" + ", ".join(texts[: SHOWN - 1]) + f", … {len(texts)} in all}}"
