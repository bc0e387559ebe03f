"""The topics that were heard as a tree, those that differ by a name alone as one."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from service.domain.model import SECOND
from service.usecases.overheard.alike import Alike, Varying, alike
from service.usecases.overheard.gather import Heard, Topic
from service.usecases.overheard.reading import Step, levels_in

SHOWN = 4
"""Names that are shown of a level that varies."""


class Branch(NamedTuple):
    """``depth``: 0 at the outermost. ``leaf``: what was heard on it, where messages came on it."""

    depth: int
    text: str
    leaf: Leaf | None


class Leaf(NamedTuple):
    """``per_minute``: messages, retained ones that were there before left out. ``size``: bytes on average."""

    topics: int
    messages: int
    per_minute: float
    size: float
    retained: float
    dialect: str
    shapes: tuple[str, ...]


def tree(heard: Heard) -> list[Branch]:
    """Outermost first, each below what it belongs to."""
    series: dict[tuple[Step, ...], Topic] = {levels_in(name): topic for name, topic in heard.topics.items()}
    branches: list[Branch] = []
    above: tuple[str, ...] = ()
    for found in sorted(alike(series), key=written):
        texts = written(found)
        same = next((n for n, (a, b) in enumerate(zip(above, texts, strict=False)) if a != b), len(above))
        same = min(same, len(texts) - 1)
        branches += [Branch(depth, texts[depth], None) for depth in range(same, len(texts) - 1)]
        branches.append(Branch(len(texts) - 1, texts[-1], _leaf(found, minutes(heard))))
        above = texts
    return branches


def minutes(heard: Heard) -> float:
    """How long was listened, by the messages."""
    return max((heard.last_at - heard.first_at) / SECOND, 1.0) / 60.0


def written(found: Alike[Topic]) -> tuple[str, ...]:
    """Its levels, with names of those that vary in braces."""
    varying = iter(range(len(found.pattern)))
    return tuple(
        few(found.distinct(next(varying))) if isinstance(step, Varying) else step.text
        for step in found.pattern
    )


def few(texts: Sequence[str]) -> str:
    """One as it is; of several some in braces, and how many they are when there are more."""
    if len(texts) == 1:
        return texts[0]
    if len(texts) <= SHOWN:
        return "{" + ", ".join(texts) + "}"
    return "{" + ", ".join(texts[: SHOWN - 1]) + f", … {len(texts)} in all}}"


def _leaf(found: Alike[Topic], took: float) -> Leaf:
    topics: Mapping[tuple[str, ...], Topic] = found.members
    messages = sum(topic.messages for topic in topics.values())
    shapes: Counter[str] = sum((topic.shapes for topic in topics.values()), Counter())
    retained = sum(topic.retained for topic in topics.values())
    return Leaf(
        topics=len(topics),
        messages=messages,
        per_minute=(messages - retained) / took,
        size=sum(topic.size for topic in topics.values()) / messages,
        retained=retained / messages,
        dialect=", ".join(sorted({each for topic in topics.values() for each in topic.dialects})),
        shapes=tuple(shape for shape, _ in shapes.most_common()),
    )
