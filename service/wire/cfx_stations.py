"""Whose a message of IPC-2591 (CFX) is: the line and the station, by its ``Source`` and its topic.

A source is called by a handle, parts with dots between them. What neither a rule nor the topic says comes
from its last two parts: ``Hall2.L3.P1`` is station P1 of line L3.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import NamedTuple

import msgspec

from service.wire.cfx_read import Place, fit
from service.wire.native import Misfit
from service.wire.patterns import Pattern, constants

_MOST_KNOWN = 10_000
_NAMES = {"line", "station"}


class StationRule(msgspec.Struct, frozen=True, kw_only=True):
    """Messages whose handle and topic fit these patterns are a station's: captures ``line`` and ``station``
    name it, ``fixed`` says what they don't."""

    handle: str = "#"
    topic: str = "#"
    fixed: Mapping[str, str] = {}


class Station(NamedTuple):
    line: str
    name: str

    @property
    def key(self) -> str:
        return f"{self.line}/{self.name}"

    def at(self, place: Place) -> str:
        """The key of a slot."""
        return f"{self.line}/{self.name}/{place.slot}"


class Stations:
    """``topics``: patterns whose captures say what a rule doesn't. The first rule that fits decides.
    ``ValueError`` says which one can't be used."""

    def __init__(self, topics: Sequence[str], rules: Sequence[StationRule]) -> None:
        self._topics = [Pattern(topic) for topic in topics]
        self._rules = [(Pattern(rule.handle), Pattern(rule.topic), constants(rule.fixed)) for rule in rules]
        everywhere = _NAMES.intersection(*(topic.captures for topic in self._topics))
        for handle, topic, fixed in self._rules:
            missing = _NAMES - {*fixed, *handle.captures, *topic.captures} - everywhere
            if missing:
                which = topic if handle.text == "#" else handle
                raise ValueError(f"pattern {which.text!r} doesn't say {' and '.join(sorted(missing))}")
        self.filters = tuple(topic.filter for topic in self._topics)
        self.find = lru_cache(maxsize=_MOST_KNOWN)(self._find)

    def _find(self, handle: str, topic: str) -> Station:
        """Raises ``Misfit``."""
        told = next((found for each in self._topics if (found := each.match(topic)) is not None), {})
        for of_handle, of_topic, fixed in self._rules:
            named, placed = of_handle.match(handle), of_topic.match(topic)
            if named is not None and placed is not None:
                told = {**told, **fixed, **placed, **named}
                break
        else:
            parts = handle.split(".")
            told = dict(zip(("station", "line"), reversed(parts), strict=False)) | told
        if not told.keys() >= _NAMES:
            raise Misfit(
                f"`Source` {handle[:80]!r} names no line and station, and neither do rules and topic"
            )
        return Station(fit(told["line"], "line"), fit(told["station"], "station"))
