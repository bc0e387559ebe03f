"""The topics of a dialect as patterns: which of them to hear, and what their levels say."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from service.usecases.overheard.alike import Alike, Varying, alike
from service.usecases.overheard.gather import Heard, Topic
from service.usecases.overheard.guess import Guess
from service.usecases.overheard.reading import Level, Step
from service.usecases.overheard.recognise import Dialect

MOST_PATTERNS = 12
"""Of more, all below what they have in common is heard."""


def patterns_of(heard: Heard, dialect: Dialect) -> list[str]:
    """Patterns that match all topics on which it was spoken, ``+`` where they differ."""
    topics: dict[tuple[Step, ...], Topic] = {
        tuple(Level(level) for level in name.split("/")): topic
        for name, topic in heard.topics.items()
        if topic.dialect == dialect
    }
    found = sorted({"/".join(_levels(each)) for each in alike(topics)})
    return found if len(found) <= MOST_PATTERNS else [common(found)]


def common(patterns: Sequence[str]) -> str:
    """One pattern for all that is below what they have in common."""
    levels = [pattern.split("/") for pattern in patterns]
    same = 0
    while all(len(each) > same and each[same] == levels[0][same] for each in levels):
        same += 1
    return "/".join([*levels[0][:same], "#"])


def topic_of(each: Guess) -> str:
    """The levels that its values came on, with what they say; ``""`` where topics say nothing of them."""
    captures = iter(each.whose)
    levels = []
    for step in each.found.pattern:
        whose = next(captures) if isinstance(step, Varying) else ""
        one = step.of if isinstance(step, Varying) else step
        if isinstance(one, Level):
            levels.append(
                f"{{{whose}}}" if whose else "+" if isinstance(step, Varying) else literal(one.text)
            )
    return "/".join(levels)


def plain_pattern(pattern: str) -> str:
    """What it matches, without what it says."""
    return "/".join("+" if "{" in level else level for level in pattern.split("/"))


def literal(level: str) -> str:
    """A level as a pattern has it; one that would be read as more than itself may be any."""
    return level if level and not set("{}+#") & set(level) else "+"


def _levels(found: Alike[Topic]) -> Iterable[str]:
    return ("+" if isinstance(step, Varying) else literal(step.text) for step in found.pattern)
