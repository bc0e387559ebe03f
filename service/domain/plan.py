"""When to exchange what: the window of each slot in panel boundaries, the fewest stops that meet all windows,
and the order of the jobs that need no stop.

Boundary ``k`` is the end of the k-th panel from now, the one in work being the first; 0 is at once. All of it
is exact arithmetic on whole panels; where the numbers come from isn't known here.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from heapq import heappop, heappush
from math import ceil
from typing import Generic, TypeVar

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Terms:
    """``margin`` panels are kept in hand before the slot may be empty; a supply may be exchanged with up to
    the share ``waste`` of a full one left in it."""

    margin: int = 1
    waste: float = 0.05


@dataclass(frozen=True, slots=True)
class Window(Generic[T]):
    """The boundaries from the first to the last at which ``what`` may be exchanged, both included."""

    what: T
    first: int
    last: int


@dataclass(frozen=True, slots=True)
class Stop(Generic[T]):
    """A stop at the end of a panel, and what is exchanged in it."""

    boundary: int
    windows: tuple[Window[T], ...]


def window_of(
    what: T, *, sure: int, left: float, usage: float, full: float | None, terms: Terms
) -> Window[T]:
    """The window of a slot that completes ``sure`` more panels as good as certainly.

    ``left`` parts are expected in it and go by ``usage`` a panel. Where a ``full`` supply isn't known it is
    let run as far as it may, so that nothing is thrown away unasked.
    """
    last = max(0, sure - terms.margin)
    if full is None:
        return Window(what, last, last)
    thrift = ceil((left - terms.waste * full) / usage)
    return Window(what, min(max(0, thrift), last), last)


def fewest_stops(windows: Sequence[Window[T]]) -> list[Stop[T]]:
    """The smallest number of stops such that each window has one, soonest first.

    The earliest end among those not met yet is a stop; what can wait for it does. The ends so chosen belong
    to windows that don't overlap, so no plan has fewer (interval stabbing: Kleinberg and Tardos, Algorithm
    Design, chapter 4). Each window is served at the last of its stops, so that little is left over.
    """
    stops: list[int] = []
    for window in sorted(windows, key=lambda each: each.last):
        if not stops or window.first > stops[-1]:
            stops.append(window.last)
    served: dict[int, list[Window[T]]] = {stop: [] for stop in stops}
    for window in windows:
        served[stops[bisect_right(stops, window.last) - 1]].append(window)
    return [Stop(stop, tuple(served[stop])) for stop in stops]


@dataclass(frozen=True, slots=True)
class Job(Generic[T]):
    """Something to do that takes ``service`` and can't begin before ``release``; seconds from now."""

    what: T
    release: float
    deadline: float
    service: float


@dataclass(frozen=True, slots=True)
class Turn(Generic[T]):
    job: Job[T]
    begin: float
    end: float

    @property
    def is_late(self) -> bool:
        return self.end > self.job.deadline


def in_turn(jobs: Sequence[Job[T]]) -> list[Turn[T]]:
    """One pair of hands does one job after the other: of those that may begin the one that is due first.

    Optimal where all may begin at once (Jackson's rule); otherwise a heuristic that begins nothing later than
    it must wait for work.
    """
    waiting = sorted(range(len(jobs)), key=lambda number: jobs[number].release, reverse=True)
    ready: list[tuple[float, int]] = []
    turns: list[Turn[T]] = []
    now = 0.0
    while waiting or ready:
        if not ready:
            now = max(now, jobs[waiting[-1]].release)
        while waiting and jobs[waiting[-1]].release <= now:
            number = waiting.pop()
            heappush(ready, (jobs[number].deadline, number))
        job = jobs[heappop(ready)[1]]
        turns.append(Turn(job, now, now + job.service))
        now += job.service
    return turns
