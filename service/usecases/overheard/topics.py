"""The topics of a dialect as patterns: which of them to hear, and what their levels say."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from service.usecases.overheard.alike import Alike, Varying, alike, few, step_of
from service.usecases.overheard.gather import Heard, Topic
from service.usecases.overheard.guess import whose
from service.usecases.overheard.reading import Level, Step, levels_in
from service.usecases.overheard.recognise import Dialect
from service.usecases.overheard.track import Track
from service.usecases.overheard.words import is_known

LONGEST = 200
_MARKS = set("{}+#\x00")
MOST_PATTERNS = 12
"""Of more, all below what they have in common is heard."""


def patterns_of(heard: Heard, dialect: Dialect) -> list[str]:
    """Patterns that match all topics on which it was spoken, ``+`` where they differ."""
    topics: dict[tuple[Step, ...], Topic] = {
        levels_in(name): topic for name, topic in heard.topics.items() if dialect in topic.dialects
    }
    found = sorted({_short("/".join(_levels(each))) for each in alike(topics)})
    return found if len(found) <= MOST_PATTERNS else [common(found)]


def _short(pattern: str) -> str:
    """With all that is below it, where it would be too long for a filter."""
    levels = pattern.split("/")
    while len(pattern) > LONGEST:
        levels.pop()
        pattern = "/".join([*levels, "#"])
    return pattern


def common(patterns: Sequence[str]) -> str:
    """One pattern for all that is below what they have in common."""
    levels = [pattern.split("/") for pattern in patterns]
    same = 0
    while all(len(each) > same and each[same] == levels[0][same] for each in levels):
        same += 1
    return "/".join([*levels[0][:same], "#"])


@dataclass(frozen=True, slots=True)
class Named:
    """The levels of a topic with what they say: ``names`` of those that vary, ``line_at`` the one that may
    name the line though it was always the same. ``missing``: what nothing says."""

    levels: tuple[Step | Varying, ...]
    names: tuple[str, ...]
    line_at: int | None
    missing: tuple[str, ...]
    doubt: str

    def pattern(self, *, lamp: str = "") -> str:
        """``lamp``: of this one alone."""
        captures = iter(self.names)
        texts = []
        for place, step in enumerate(self.levels):
            name = next(captures) if isinstance(step, Varying) else "line" if place == self.line_at else ""
            if name == "lamp" and lamp:
                texts.append(literal(lamp))
            else:
                texts.append(
                    f"{{{name}}}" if name else "+" if isinstance(step, Varying) else literal(step.text)
                )
        return "/".join(texts)


def levels_of(found: Alike[Track]) -> tuple[Step | Varying, ...]:
    """The steps that are levels of its topic."""
    return tuple(step for step in found.pattern if isinstance(step_of(step), Level))


def inside(found: Alike[Track]) -> tuple[Step | Varying, ...]:
    """The steps within the payload."""
    return tuple(step for step in found.pattern if not isinstance(step_of(step), Level))


def named_by(found: Alike[Track], wanted: Sequence[str]) -> Named:
    levels = levels_of(found)
    captures = sum(isinstance(step, Varying) for step in levels)
    names = whose(found, wanted, captures)
    line_at = _line_at(levels, names) if "line" in wanted and "line" not in names else None
    said = {*names, *(["line"] if line_at is not None else [])}
    heard = [f"{name}: {few(found.distinct(capture))}" for capture, name in enumerate(names) if name]
    if line_at is not None:
        heard.insert(0, f"line: {step_of(levels[line_at]).text}, always the same")
    missing = tuple(place for place in wanted if place not in said)
    return Named(levels, names, line_at, missing, "; ".join(heard))


def _line_at(levels: Sequence[Step | Varying], names: Sequence[str]) -> int | None:
    """The level before the station that is no word of the trade."""
    if "station" not in names:
        return None
    varying = [place for place, step in enumerate(levels) if isinstance(step, Varying)]
    before = range(varying[names.index("station")] - 1, 0, -1)
    return next((place for place in before if _may_name(levels[place])), None)


def _may_name(step: Step | Varying) -> bool:
    return not isinstance(step, Varying) and not is_known(step.text) and literal(step.text) != "+"


def plain_pattern(pattern: str) -> str:
    """What it matches, without what it says."""
    return "/".join("+" if "{" in level else level for level in pattern.split("/"))


def literal(level: str) -> str:
    """A level as a pattern has it; one that would be read as more than itself may be any."""
    return level if level and is_literal(level) else "+"


def is_literal(text: str) -> bool:
    """A pattern can hold it as it is."""
    return 0 < len(text.encode()) <= LONGEST and not _MARKS & set(text)


def _levels(found: Alike[Topic]) -> Iterable[str]:
    return ("+" if isinstance(step, Varying) else literal(step.text) for step in found.pattern)
