"""Counters of a device into totals of our own, which never fall and never count twice.

A counter may begin anywhere, start again, come late or come twice. What is said of it are the parts counted
since it was first heard of.
"""

from __future__ import annotations

import msgspec

from service.domain.events import MOST
from service.domain.model import Instant


class Counter(msgspec.Struct, array_like=True):
    """``raw`` is what it last said, ``at`` by the source's clock, ``began`` when it last started again or was
    put right; ``total`` what was counted, and ``rest`` what isn't yet one more."""

    raw: int | None = None
    at: Instant | None = None
    began: Instant | None = None
    total: int = 0
    rest: int = 0


class Heard(msgspec.Struct, array_like=True):
    """What is counted in a slot: its counters by what they mean. ``placed`` is the most that was said,
    ``named`` what was said at all."""

    counters: dict[str, Counter] = {}
    placed: int = 0
    named: list[str] = []


def take_total(counter: Counter, raw: int, at: Instant | None) -> bool:
    """Whether that settles it; else it fell and isn't known to be old: ``fall`` says what that is."""
    if counter.raw is None:
        counter.raw, counter.at = raw, at
        return True
    if at is not None and counter.began is not None and at < counter.began:
        return True
    if raw < counter.raw:
        return at is not None and counter.at is not None and at <= counter.at
    if raw > counter.raw:
        _add(counter, raw - counter.raw)
        counter.raw = raw
    if at is not None and (counter.at is None or at > counter.at):
        counter.at = at
    return True


def restarted(counter: Counter, raw: int) -> bool:
    """Of one that fell: whether it is that near to zero that it must have begun again."""
    return counter.raw is not None and 2 * raw < counter.raw


def fall(counter: Counter, raw: int, at: Instant | None, *, restart: bool) -> None:
    """One that started again counts in full; one that was only put right goes on from there, where its time
    shows that it isn't just an old message."""
    if restart:
        _add(counter, raw)
    elif at is None or counter.at is None:
        return
    counter.raw, counter.at, counter.began = raw, at, at


def take_delta(counter: Counter, units: int, at: Instant | None, each: int) -> None:
    """So many units since the last message, ``each`` of which are one. What isn't newer is a repeat."""
    if at is not None:
        if counter.at is not None and at <= counter.at:
            return
        counter.at = at
    whole, counter.rest = divmod(counter.rest + units, each)
    _add(counter, whole)


def slot_totals(heard: Heard) -> dict[str, int] | None:
    """What to say of a slot; ``None`` while its placements aren't known. What was picked was placed, unless
    it was lost; that is said as if it came in order, so it never falls."""
    counters = heard.counters
    lost, empty = counters.get("lost"), counters.get("empty")
    if (placed := counters.get("placed")) is not None:
        heard.placed = placed.total
    elif (picked := counters.get("picked")) is not None:
        heard.placed = max(heard.placed, picked.total - (0 if lost is None else lost.total))
    else:
        return None
    said = {"placed": heard.placed}
    if lost is not None:
        said["lost"] = lost.total
    if empty is not None:
        said["empty"] = empty.total
    return said


def _add(counter: Counter, parts: int) -> None:
    counter.total = min(MOST, counter.total + parts)
