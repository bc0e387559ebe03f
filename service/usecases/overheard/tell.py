"""What was heard and what it may be, as an object for programs and the page, and as lines for people.

The object::

    {"seconds", "messages", "bytes", "cut": {"what": times},
     "topics": [{"depth", "text", "topics", "messages", "per_minute", "bytes", "retained", "dialect",
                 "shapes"}],
     "dialects": {"native": {"root": messages}, "sparkplug": {"group/node/device": messages},
                  "cfx": {"message name": messages}, "opcua": {"publisher": messages}, ...},
     "values": [{"dialect", "where", "values", "places": {"line": ["L3", ...], ...},
                 "means" | null, "seen", "kinds", "first", "last", "changes"}]}

``bytes`` of a topic is the average of its messages, ``retained`` their share; a branch on which no message
came has ``depth`` and ``text`` alone. ``first``, ``last`` and ``changes`` are of the value that changed most.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from service.usecases.overheard.alike import Alike, Varying, alike, few, step_of
from service.usecases.overheard.gather import Heard, Topic
from service.usecases.overheard.guess import Guess, by_behaviour, guess, liveliest
from service.usecases.overheard.reading import Item, Key, Level, Step, levels_in
from service.usecases.overheard.track import Track, shown

Json = dict[str, Any]
_SHAPES = {
    "sparkplug": "Sparkplug B",
    "cfx": "CFX",
    "opcua": "OPC UA",
    "native": "our own contract",
    "ours": "said by us",
}
MOST_LINES = 200


def guesses(heard: Heard) -> dict[str, list[Guess]]:
    """Of each dialect whose values are told one by one."""
    return {
        dialect: by_behaviour([guess(found) for found in alike(series)])
        for dialect, series in heard.series.items()
    }


def as_object(heard: Heard) -> Json:
    return {
        "seconds": round(heard.seconds, 3),
        "messages": heard.messages,
        "bytes": heard.size,
        "cut": dict(heard.cut),
        "topics": [_branch(each) for each in tree(heard)],
        "dialects": {dialect: dict(names) for dialect, names in heard.names.items()},
        "values": [
            {"dialect": dialect, **_value(each)}
            for dialect, all_of in guesses(heard).items()
            for each in all_of
        ],
    }


def _branch(branch: Branch) -> Json:
    at: Json = {"depth": branch.depth, "text": branch.text}
    leaf = branch.leaf
    if leaf is None:
        return at
    return at | {
        "topics": leaf.topics,
        "messages": leaf.messages,
        "per_minute": round(leaf.per_minute, 1),
        "bytes": round(leaf.size),
        "retained": round(leaf.retained, 3),
        "dialect": leaf.dialect,
        "shapes": list(leaf.shapes),
    }


def _value(each: Guess) -> Json:
    track = liveliest(each.found)
    return {
        "where": where(each.found),
        "values": len(each.found.members),
        "places": {name: each.found.distinct(capture) for capture, name in enumerate(each.whose) if name},
        "means": each.means,
        "seen": each.doubt,
        "kinds": sorted(track.kinds),
        "first": shown(track.first),
        "last": shown(track.last),
        "changes": track.changes,
    }


def where(found: Alike[Track]) -> str:
    """Its steps in one line: levels of the topic, then keys; names that vary in braces."""
    text = ""
    captures = iter(range(len(found.pattern)))
    for step in found.pattern:
        varies = isinstance(step, Varying)
        one = step_of(step)
        said = few(found.distinct(next(captures))) if varies else one.text
        match one:
            case Level():
                text += f"{said}/" if said else ""
            case Key(mark=mark):
                text += f"{mark or ('' if text.endswith('/') or not text else '.')}{said}"
            case Item(field=field):
                text += f"[{field}={said}]" if field else "[]"
    return text.rstrip("/")


def lines(said: Json) -> Iterator[str]:
    """A table for people."""
    yield f"{said['messages']} messages, {said['bytes']} bytes in {said['seconds']:.0f} s"
    yield ""
    yield from table(
        ("topics", "a minute", "bytes", "retained", "what"), (_row(each) for each in said["topics"])
    )
    for dialect, names in said["dialects"].items():
        yield ""
        yield f"{_SHAPES[dialect]}: " + ", ".join(f"{name} ({times})" for name, times in names.items())
    if said["values"]:
        yield ""
        yield from table(
            ("values", "may be", "seen"),
            ((each["where"], each["means"] or "", each["seen"]) for each in said["values"]),
        )
    for what, times in said["cut"].items():
        yield f"left out: {what} ({times} times)"


def _row(branch: Json) -> tuple[str, ...]:
    text = "  " * branch["depth"] + branch["text"]
    if "topics" not in branch:
        return text, "", "", "", ""
    what = ", ".join(branch["shapes"])
    known = _SHAPES.get(branch["dialect"], "")
    return (
        text,
        f"{branch['per_minute']:.1f}",
        str(branch["bytes"]),
        f"{branch['retained']:.0%}",
        f"{known}, {what}" if known else what,
    )


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> Iterator[str]:
    """Columns that are as wide as they must be; of very many rows the first ones."""
    shown = [tuple(head), *(tuple(row) for row in rows)]
    over = len(shown) - MOST_LINES
    shown = shown[:MOST_LINES]
    wide = [max(len(row[column]) for row in shown) for column in range(len(head))]
    for row in shown:
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, wide, strict=True)).rstrip()
    if over > 0:
        yield f"… and {over} more"


# The topics as a tree


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
        branches.append(Branch(len(texts) - 1, texts[-1], _leaf(found, max(heard.seconds, 1.0) / 60.0)))
        above = texts
    return branches


def written(found: Alike[Topic]) -> tuple[str, ...]:
    """Its levels, with names of those that vary in braces."""
    varying = iter(range(len(found.pattern)))
    return tuple(
        few(found.distinct(next(varying))) if isinstance(step, Varying) else step.text
        for step in found.pattern
    )


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
