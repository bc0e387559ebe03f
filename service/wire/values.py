"""Named values of a device into our own messages: what formats without messages of our kind have in common.

A metric, a data set's field or a topic of its own carries one value under a name. Rules say by a pattern of
the name what a value means and whose it is; this gathers them into counts, supplies, towers, recipes, orders
and links. It takes totals of any beginning: what it says is counted since it first heard of a slot, in a
session of its own, so that a counter that restarts, a repeat or a change of gateway never counts twice.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Literal, NamedTuple

import msgspec

from service.domain.model import Instant
from service.wire.gateway import Memory, Native

Meaning = Literal[
    "placed",
    "picked",
    "lost",
    "empty",
    "panels",
    "panel",
    "part",
    "lot",
    "supply",
    "kind",
    "quantity",
    "lamp",
    "lamps",
    "buzzer",
    "link",
    "recipe",
    "usage",
    "order",
    "order_panels",
    "order_state",
]


class Value(NamedTuple):
    """One value as a format decoded it: ``content`` is a bool, int, float, str or ``None`` (unknown now), or
    what JSON gives. ``at`` is the source's own time of it."""

    name: str
    content: object
    at: Instant | None = None


class Rule(msgspec.Struct, frozen=True, kw_only=True):
    """Values whose name fits ``name`` are this. ``name`` is a pattern (``wire.patterns``) whose captures
    ``line``, ``station``, ``slot``, ``lamp`` say whose they are; ``fixed`` says what the name doesn't."""

    name: str
    means: Meaning
    counts: Literal["total", "delta"] = "total"
    each: int = 1
    words: Mapping[str, str] = {}
    bits: Mapping[str, str] = {}
    fixed: Mapping[str, str] = {}


class Gathered(msgspec.Struct, array_like=True):
    """What is remembered of one station."""

    session: str = ""
    seq: int = 0


class Values:
    """``memory`` is the translator's own, one piece a station."""

    def __init__(self, source: str, rules: Sequence[Rule], memory: Memory[Gathered]) -> None:
        raise NotImplementedError

    def take(
        self, place: Mapping[str, str], values: Sequence[Value], *, at: Instant, live: bool = True
    ) -> list[Native]:
        """What these values, heard together at ``at``, say. ``place``: captures that the topic or the device
        gives already. ``live`` false: they are from before (store and forward) and only totals count. Values
        that no rule names are ignored. Raises ``Misfit`` for a value that a rule can't read."""
        raise NotImplementedError

    def look(self, at: Instant) -> list[Native]:
        raise NotImplementedError

    def next_moment(self) -> Instant | None:
        raise NotImplementedError

    def link(self, place: Mapping[str, str], state: Literal["online", "offline"], at: Any) -> list[Native]:
        """The stations that this place (a device, a node) spoke of are to be heard, or not."""
        raise NotImplementedError
