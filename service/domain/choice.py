"""Which of several settings is best, where stops were tried many times over and messages are known.

Fewer stops, fewer messages and fewer needless warnings are better. All settings were tried with the same
luck, so they are compared try by try, and what may be luck is no difference.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from statistics import fmean, stdev

from scipy.special import stdtrit

SURE = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """A mean, and between what it lies with the chance ``SURE``."""

    mean: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Option:
    """``stopped``: how long stations stood at each try; ``messages`` per person and hour, ``too_much`` for
    somebody to follow; ``planned`` stops, where plans were tried. ``usual``: these settings are in force."""

    stopped: tuple[float, ...]
    messages: float
    needless: int
    too_much: bool = False
    planned: float = 0.0
    usual: bool = False


def interval(values: Sequence[float]) -> Interval:
    """Of the mean by Student's law; of a single value nothing is known but itself."""
    mean = fmean(values)
    if len(values) < 2:
        return Interval(mean=mean, low=mean, high=mean)
    half = float(stdtrit(len(values) - 1, (1.0 + SURE) / 2.0)) * stdev(values) / sqrt(len(values))
    return Interval(mean=mean, low=mean - half, high=mean + half)


def stands_less(one: Option, other: Option) -> bool:
    """Whether stations stand less with the one, beyond luck."""
    return interval([a - b for a, b in zip(one.stopped, other.stopped, strict=True)]).high < 0.0


def front(options: Sequence[Option]) -> list[int]:
    """Those of which none is beaten: whoever sends as few messages and no more needless warnings stands
    longer. Of equals the one that plans the fewest stops, then the one in force, else the first."""
    kept: list[int] = []
    for each in sorted(range(len(options)), key=lambda number: (_effort(options[number]), number)):
        option = options[each]
        if not any(_does_as_well(options[before], option) for before in kept):
            kept.append(each)
    return sorted(kept)


def recommend(options: Sequence[Option]) -> int | None:
    """The one with the fewest stops among those that people can follow; of those that differ by luck alone
    the one with the fewest messages, and so of all where nobody could follow any. ``None``: there is none."""
    best = front(options)
    bearable = [each for each in best if not options[each].too_much]
    if not bearable:
        return min(best, key=lambda each: _effort(options[each]), default=None)
    least = min(bearable, key=lambda each: fmean(options[each].stopped))
    return min(alike(options, least, bearable), key=lambda each: _effort(options[each]))


def alike(options: Sequence[Option], chosen: int, among: Sequence[int]) -> list[int]:
    """Those that stand as long as the chosen one as far as luck allows to say, itself among them."""
    return [
        each
        for each in among
        if not stands_less(options[chosen], options[each]) and not stands_less(options[each], options[chosen])
    ]


def _does_as_well(one: Option, other: Option) -> bool:
    return one.messages <= other.messages and one.needless <= other.needless and not stands_less(other, one)


def _effort(option: Option) -> tuple[float, int, float, float, bool]:
    return option.messages, option.needless, fmean(option.stopped), option.planned, not option.usual
