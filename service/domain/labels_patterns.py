"""What the plant says of its labels: a pattern for those of its own, what stands before part numbers, which
numbers mean which of its parts.

Patterns are matched by RE2, whose time grows with the text's length and the pattern's, never with their
powers: no label and no pattern can hold the service up. It knows no back references and no looking around.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache

import re2

from service.domain.labels_text import Scanned

KNOWN_GROUPS = ("part", "quantity", "lot", "supply", "moisture_level")
_MEMORY = 1 << 20
_LONGEST = 500
_MESSAGE = "[)>\x1e06\x1d1PRC0402-10K\x1dQ5000\x1e\x04"


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelPattern:
    """``pattern`` matches a whole text, its named groups say what is what; without one it is about every
    label that no pattern matched. Of ``strip`` the first that stands before a part number is taken away;
    ``upper`` makes it capitals. ``alias`` leads from numbers on any label to the plant's parts."""

    name: str
    pattern: str | None = None
    strip: tuple[str, ...] = ()
    upper: bool = False
    alias: Mapping[str, str] = field(default_factory=dict)


def check_pattern(pattern: str) -> None:
    """Raises ``ValueError`` with what is wrong with it."""
    if len(pattern) > _LONGEST:
        raise ValueError(f"has more than {_LONGEST} characters")
    try:
        compiled = _compiled(pattern)
    except (re2.error, UnicodeEncodeError) as error:
        raise ValueError(f"can't be used: {_reason(error)}") from None
    if not set(KNOWN_GROUPS) & set(compiled.groupindex):
        raise ValueError(f"names none of the groups {', '.join(KNOWN_GROUPS)}, such as (?P<part>…)")
    if compiled.fullmatch("") is not None:
        raise ValueError("matches a text with nothing in it")
    if "[)>" not in pattern.replace("\\", "") and compiled.fullmatch(_MESSAGE) is not None:
        raise ValueError(
            "matches every label in an envelope too and would hide what it says; make it narrower"
        )


def match(pattern: LabelPattern, scanned: Scanned) -> dict[str, tuple[str, int]] | None:
    """The named groups with the place where each begins, where the whole text matches."""
    if pattern.pattern is None:
        return None
    try:
        found = _compiled(pattern.pattern).fullmatch(scanned.text)
    except UnicodeEncodeError:
        return None  # half a character, which no pattern can mean
    if found is None:
        return None
    return {
        name: (found.group(number), scanned.place(found.start(number)))
        for name, number in _compiled(pattern.pattern).groupindex.items()
        if found.group(number)
    }


@lru_cache(maxsize=256)
def _compiled(pattern: str) -> re2._Regexp:
    options = re2.Options()
    options.max_mem = _MEMORY
    options.log_errors = False
    return re2.compile(pattern, options)


def _reason(error: Exception) -> str:
    given = error.args[0] if isinstance(error, re2.error) and error.args else "it isn't text"
    return given.decode("utf-8", "replace") if isinstance(given, bytes) else str(given)
