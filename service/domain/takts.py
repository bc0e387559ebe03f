"""What a panel of a station takes when nothing keeps it: the usual takt of each recipe.

Where no recipes are told, of each stretch between two long stops, because a line changes its product in one.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import fmean, median

from service.domain.model import Instant
from service.domain.track import StationTrack

FEWEST = 5
"""Panels without which nothing is known of a takt."""
_ENOUGH = 15
"""Panels from which on a recipe has a takt of its own."""
_LONG = 6
"""Takts."""
_STEADIEST = 0.02


@dataclass(frozen=True, slots=True)
class End:
    """So many panels were complete since the last one."""

    at: Instant
    panels: int


@dataclass(frozen=True, slots=True)
class Takts:
    """``usual`` and ``spread`` over all, ``None`` and 0 where too little is known; ``needs`` from each moment
    of ``since`` on."""

    usual: float | None
    spread: float
    since: Sequence[Instant]
    needs: Sequence[Instant]

    def need(self, at: Instant) -> Instant:
        """Of a panel that is complete then."""
        return self.needs[_ruling(self.since, at)]


def takts_of(track: StationTrack, ends: Sequence[End]) -> Takts:
    lengths = list(_lengths(ends))
    usual, spread = usual_of([length for _, length in lengths])
    if usual is None:
        return Takts(None, 0.0, (0,), (0,))
    marks = _marks(track, ends, usual)
    since = [at for at, _ in marks]
    own: dict[str, list[Instant]] = defaultdict(list)
    for at, length in lengths:
        own[marks[_ruling(since, at)][1]].append(length)
    found = {name: usual_of(some) for name, some in own.items() if len(some) >= _ENOUGH}
    needs = [round(found.get(name, (usual, spread))[0] or usual) for _, name in marks]
    spreads = [each for name, (_, each) in found.items() for _ in own[name]]
    return Takts(usual, fmean(spreads) if spreads else spread, since, needs)


def _ruling(since: Sequence[Instant], at: Instant) -> int:
    """Which of them rules for a panel that is complete then: the last one before it."""
    return max(0, bisect_left(since, at) - 1)


def _lengths(ends: Sequence[End]) -> Iterator[tuple[Instant, Instant]]:
    """When a panel was complete and what it took; of counts that tell of several, only where there are no
    others."""
    pairs = list(pairwise(ends))
    single = [(before, after) for before, after in pairs if after.panels == 1]
    for before, after in single if len(single) >= FEWEST else pairs:
        yield after.at, (after.at - before.at) // after.panels


def _marks(track: StationTrack, ends: Sequence[End], usual: float) -> list[tuple[Instant, str]]:
    """From when on which product was made."""
    if len(track.recipes) > 1:
        return [(each.at, str(each.recipe)) for each in track.recipes]
    begins = [after.at - 1 for before, after in pairwise(ends) if after.at - before.at > _LONG * usual]
    return [(at, str(number)) for number, at in enumerate([0, *begins])]


def usual_of(lengths: Sequence[Instant]) -> tuple[float | None, float]:
    """The most frequent length and how it spreads: the middle of the shortest span that holds two in five.
    Gaps in which the station stood are longer, and of every length. Nothing where so many came in one moment:
    when they were complete isn't known."""
    if len(lengths) < FEWEST:
        return None, 0.0
    ordered = sorted(lengths)
    held = max(3, 2 * len(ordered) // 5)
    spans = ((ordered[at + held - 1] - ordered[at], at) for at in range(len(ordered) - held + 1))
    span, at = min(spans)
    usual = float(median(ordered[at : at + held]))
    if not usual:
        return None, 0.0
    # Two in five of a normal law lie within 0.52 standard deviations of its middle.
    return usual, max(_STEADIEST * usual, span / 2 / 0.52)
