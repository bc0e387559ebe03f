"""What counters may be whose names say nothing, by how they rise: only asked where no name says it.

Parts placed rise the fastest, in each slot by its own number; lost ones rarely; panels by one, with no slot.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from service.usecases.overheard.guess import Guess, varying, wanted_by, whose
from service.usecases.overheard.track import Track, number_of

_RARELY = 0.1
"""Of the parts placed, at most, where what rises are lost ones."""


def by_behaviour(said: Sequence[Guess]) -> list[Guess]:
    """The same, with what may be placed, lost and panels where nothing was known of any."""
    rising = [each for each in said if each.means in (None, "seq") and _rise(each) > 0]
    slots = [each for each in rising if len(each.found.members) > 1]
    if not slots or any(each.means in ("placed", "picked") for each in said):
        return list(said)
    deepest = max(len(varying(each.found)) for each in slots)
    slots = sorted((each for each in slots if len(varying(each.found)) == deepest), key=_rise, reverse=True)
    meant = {id(slots[0]): "placed"}
    meant |= {id(each): "lost" for each in slots[1:2] if _rise(each) <= _RARELY * _rise(slots[0])}
    panels = [each for each in rising if len(varying(each.found)) < deepest and _step(each) == 1]
    meant |= {id(each): "panels" for each in panels[:1]}
    return [_meaning(each, meant[id(each)]) if id(each) in meant else each for each in said]


def _meaning(each: Guess, means: str) -> Guess:
    doubt = f"{each.doubt}; by how it rises alone"
    return replace(each, means=means, doubt=doubt, whose=whose(each.found, wanted_by(means)))


def _rise(each: Guess) -> float:
    """How far its counters rose, on average; 0 where not all are counters."""
    tracks = list(each.found.members.values())
    if each.time is not None or not all(track.only_rises or not track.changes for track in tracks):
        return 0.0
    return sum(map(_risen, tracks)) / len(tracks)


def _risen(track: Track) -> float:
    first, last = number_of(track.first), number_of(track.last)
    return 0.0 if first is None or last is None else max(0.0, last - first)


def _step(each: Guess) -> int:
    return min((track.step for track in each.found.members.values() if track.step), default=0)
