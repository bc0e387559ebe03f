"""Patterns of topics and of names: which of them are meant, and what they say by their levels.

``plant/{line}/{station}/feeder-{slot}/#``: a capture stands for a level or a part of one, ``+`` for any
level, a ``#`` at the end for all that follows. They are matched in linear time, whatever is matched.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import re2

from service.wire.native import clean_name

_CAPTURE = re.compile(r"\{([a-z_]+)\}")
_NAMES = ("line", "station", "slot")


class Pattern:
    """``filter`` is the MQTT topic filter that hears everything it matches. ``ValueError`` says what can't be
    read."""

    def __init__(self, text: str) -> None:
        levels = text.split("/")
        for place, level in enumerate(levels):
            _check_level(text, level, last=place == len(levels) - 1)
        self.text = text
        self.captures = tuple(_CAPTURE.findall(text))
        if len(set(self.captures)) < len(self.captures):
            raise ValueError(f"pattern {text!r} names a capture twice")
        self.filter = "/".join("+" if "{" in level else level for level in levels)
        begin = "/".join(_expression(level) for level in levels if level != "#")
        rest = "" if levels[-1] != "#" else "(?:/(?s:.*))?" if begin else "(?s:.*)"
        self._matches = re2.compile(begin + rest).fullmatch

    def match(self, text: str) -> dict[str, str] | None:
        """What the captures stand for; ``None``: another is meant."""
        if not self.captures and text == self.text:
            return {}
        try:
            found = self._matches(text)
        except UnicodeEncodeError:
            return None
        return None if found is None else found.groupdict()


def constants(fixed: Mapping[str, str]) -> dict[str, str]:
    """What a rule says where the name doesn't, with names as NFC. ``ValueError`` for what can't be a name."""
    return {key: clean_name(value, key) if key in _NAMES else value for key, value in fixed.items()}


def _check_level(text: str, level: str, *, last: bool) -> None:
    bare = _CAPTURE.sub("", level)
    if "{" in bare or "}" in bare:
        raise ValueError(f"pattern {text!r}: a capture is {{name}}, of small letters")
    if "}{" in level:
        raise ValueError(f"pattern {text!r}: nothing tells two captures apart that touch")
    if ("+" in level and level != "+") or ("#" in level and not (level == "#" and last)):
        raise ValueError(f"pattern {text!r}: + stands for a whole level, # for all levels at the end")


def _expression(level: str) -> str:
    if level == "+":
        return "[^/]*"
    parts = _CAPTURE.split(level)
    return "".join(
        f"(?P<{part}>[^/]+?)" if place % 2 else re2.escape(part) for place, part in enumerate(parts)
    )


def fewest(filters: Sequence[str]) -> tuple[str, ...]:
    """Without those that another covers: a broker may deliver what two subscriptions hear twice (MQTT 3.1.1,
    3.3.5)."""
    each_once = list(dict.fromkeys(filters))
    return tuple(
        one for one in each_once if not any(other != one and _covers(other, one) for other in each_once)
    )


def _covers(wide: str, narrow: str) -> bool:
    wider, levels = wide.split("/"), narrow.split("/")
    if wider[-1] == "#":
        wider.pop()
        levels = levels[: len(wider)]
    return len(wider) == len(levels) and all(
        one == other or (one == "+" and other != "#") for one, other in zip(wider, levels, strict=True)
    )
