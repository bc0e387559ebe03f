"""How many panels are between two neighbours of a line, from what each of them counted.

The numbers alone don't say it: panels that were there before, that somebody took out, or that only one of
them counted move the difference. But the later station can't take a panel that isn't there, and the earlier
one can't hand on a panel for which there is no room. Of all numbers that may have been between them those
are believed that explain best when both worked and when they stood.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from heapq import merge
from typing import Any

import numpy as np

from service.domain.model import Instant
from service.domain.stands import Gap, Run

MOST_ROOM = 12
"""Panels; a longer way between two stations holds nobody."""
_MOST_CELLS = 4_000_000
_IMPOSSIBLE = 16.0
_UNEXPLAINED = 8.0
"""What it costs to believe that a station stood for no known reason: one panel in fifty, for any of a hundred
seconds."""
_TOO_FAST = 10.0
_MOVED = 12.0
"""What it costs to believe that a panel vanished or came from nowhere."""
_WORTH = 4.0
"""By how much a room must explain the past better than endless room."""


@dataclass(frozen=True, slots=True)
class Flow:
    """``empty``: by how many panels the earlier one is ahead of what the later one has taken when nothing is
    between them, from each moment on; ``room``: so many between them and it is held, ``None`` where it
    never was. ``least`` and ``most``: how far it was ahead when the later one was to take a panel, and when
    it was to hand one on."""

    since: Sequence[Instant]
    empty: Sequence[int]
    room: int | None
    least: int
    most: int

    def empty_at(self, at: Instant) -> int:
        return self.empty[max(0, bisect_right(self.since, at) - 1)]


@dataclass(frozen=True, slots=True)
class _Step:
    """A gap of one of both: how far the earlier one was ahead when it began, and what it costs to believe
    that the station only worked, or that it waited for the other."""

    at: Instant
    later: bool
    ahead: int
    worked: float
    waited: float


def flow_between(earlier: Run, later: Run, takes: Sequence[Instant]) -> Flow | None:
    """``takes``: when the later one began the panel of each of its gaps, as far as it didn't wait for the
    earlier one. ``None`` where too little is known of one of them."""
    if earlier.usual is None or later.usual is None:
        return None
    steps = list(merge(_taking(earlier, later), _giving(earlier, later, takes), key=lambda step: step.at))
    ahead = [step.ahead for step in steps]
    # Two that don't count the same panels drift apart for ever.
    if not steps or len(steps) * (max(ahead) - min(ahead) + MOST_ROOM) > _MOST_CELLS:
        return None
    return _best(steps)


def taken_by(run: Run, takes: Sequence[Instant], at: Instant) -> int:
    """Panels that a station has begun by then, as it counts them."""
    number = run.ended_by(at)
    if number >= len(takes):
        return number
    return number + (takes[number] <= at and takes[number] < run.gaps[number].until)


def next_take(takes: Sequence[Instant], taken: int, at: Instant) -> Instant | None:
    """Of those after the first ``taken`` the first one after ``at``."""
    return next((takes[number] for number in range(taken, len(takes)) if takes[number] > at), None)


def _taking(earlier: Run, later: Run) -> Iterator[_Step]:
    """Each gap of the later one but the first, whose beginning nobody saw: with nothing to take it waits for
    the next panel of the earlier one."""
    for gap in later.gaps[1:]:
        made = earlier.ended_by(gap.since)
        comes = earlier.ends[made] if made < len(earlier.ends) else gap.until
        yield _step(later, gap, made - gap.panel, comes, later=True)


def _giving(earlier: Run, later: Run, takes: Sequence[Instant]) -> Iterator[_Step]:
    """Each gap of the earlier one: without room it waits until the later one takes its next panel."""
    for gap in earlier.gaps[1:]:
        taken = taken_by(later, takes, gap.since)
        goes = next_take(takes, taken, gap.since)
        yield _step(earlier, gap, gap.panel - taken, gap.until if goes is None else goes, later=False)


def _step(run: Run, gap: Gap, ahead: int, until: Instant, *, later: bool) -> _Step:
    """A gap whose ends were reckoned, not counted, says less; one that isn't over says nothing."""
    over = gap.over - gap.shown
    spread = max(run.spread, gap.need / 50)
    end = min(until, gap.until)
    by_itself = sum(max(0, min(end, sign.until) - max(gap.since, sign.since)) for sign in gap.signs)
    waited = max(0, end - gap.since - by_itself)
    trust = 0.0 if gap.open else 1.0 if gap.counted else 0.5
    worked, waits = _cost(over / spread), _cost((over - waited) / spread)
    return _Step(gap.since, later, ahead, trust * worked, trust * waits)


def _cost(deviation: float) -> float:
    squared = deviation * deviation / 2
    return min(squared, _UNEXPLAINED if deviation > 0 else _TOO_FAST)


def _best(steps: Sequence[_Step]) -> Flow:
    """The cheapest course of what counts as empty, for each room; and the room that costs least."""
    low = min(step.ahead for step in steps) - MOST_ROOM
    high = max(step.ahead for step in steps)
    empty = np.arange(low, high + 1)
    rooms = np.array([*range(1, MOST_ROOM + 1), 10**9])
    costs = np.zeros((len(rooms), len(empty)))
    came = np.zeros((len(steps), len(rooms), len(empty)), dtype=np.int16)
    stay = np.arange(len(empty))
    for number, step in enumerate(steps):
        cheapest = costs.argmin(axis=1)
        moved = costs[np.arange(len(rooms)), cheapest] + _MOVED
        jumps = moved[:, None] < costs
        came[number] = np.where(jumps, cheapest[:, None], stay)
        costs = np.where(jumps, moved[:, None], costs) + _costs(step, empty, rooms)
    ends = costs.min(axis=1)
    room = int(ends[:-1].argmin())
    if ends[room] > ends[-1] - _WORTH:
        room = len(rooms) - 1
    return _walk_back(steps, came[:, room], int(costs[room].argmin()), low, rooms[room])


def _costs(step: _Step, empty: Any, rooms: Any) -> Any:
    between = step.ahead - empty
    if step.later:
        # Nothing between them: it waits; fewer than nothing there can't be.
        return np.where(between < 0, _IMPOSSIBLE, np.where(between == 0, step.waited, step.worked))[None, :]
    full = between[None, :] - rooms[:, None]
    impossible = (full > 1) | (between < 0)[None, :]
    return np.where(impossible, _IMPOSSIBLE, np.where(full >= 0, step.waited, step.worked))


def _walk_back(steps: Sequence[_Step], came: Any, at: int, low: int, room: int) -> Flow:
    since: list[Instant] = []
    empty: list[int] = []
    for number in range(len(steps) - 1, -1, -1):
        since.append(steps[number].at)
        empty.append(low + at)
        at = int(came[number, at])
    least = min((step.ahead for step in steps if step.later), default=low)
    most = max((step.ahead for step in steps if not step.later), default=low)
    return Flow(since[::-1], empty[::-1], None if room > MOST_ROOM else room, least, most)
