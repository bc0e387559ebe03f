"""Who does what when: jobs that can be done from one moment on and must be by another, for so many people.
Seconds from now; what the jobs are isn't known here."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from heapq import heappop, heappush, heapreplace
from math import ceil, inf
from typing import Generic, NamedTuple, TypeVar

T = TypeVar("T")
_TRIES = 20
CRUMB = 1e-6
"""Seconds: less is the noise of floating point."""


@dataclass(frozen=True, slots=True)
class Job(Generic[T]):
    """Something to do that takes ``service``, can't begin before ``release``, must be done by ``deadline``.
    ``appointed``: it should begin at its release, as the line stands from then on."""

    what: T
    release: float
    deadline: float
    service: float
    appointed: bool = False


class Turn(NamedTuple, Generic[T]):
    job: Job[T]
    begin: float
    end: float

    @property
    def is_late(self) -> bool:
        return self.end > self.job.deadline + CRUMB


def in_turn(jobs: Sequence[Job[T]], people: int = 1) -> list[Turn[T]]:
    """Whoever is free does the one that is due first of those that may begin; in the order of beginning.

    Nobody begins what would make them late for an appointment while it can wait until after that. For one
    person optimal where all may begin at once (Jackson's rule); otherwise a heuristic.
    """
    waiting = sorted(range(len(jobs)), key=lambda number: jobs[number].release, reverse=True)
    free, ready, turns = [0.0] * people, list[tuple[float, int]](), list[Turn[T]]()
    meetings, now = _meetings(jobs), 0.0
    while waiting or ready:
        if not ready:
            now = max(now, jobs[waiting[-1]].release)
        now = max(now, free[0])
        while waiting and jobs[waiting[-1]].release <= now:
            number = waiting.pop()
            heappush(ready, (jobs[number].deadline, number))
        job = jobs[ready[0][1]]
        while meetings and meetings[-1].at <= now:
            meetings.pop()
        if meetings and _waits(job, now, meetings[-1], free):
            heapreplace(free, meetings[-1].at)
            continue
        heappop(ready)
        turns.append(Turn(job, now, now + job.service))
        heapreplace(free, now + job.service)
    return sorted(turns, key=lambda turn: turn.begin) if people > 1 else turns


def in_best_turn(jobs: Sequence[Job[T]], people: int = 1) -> list[Turn[T]]:
    """``in_turn`` where that is in time; else tried again a few times with hands kept free for what comes too
    late: what is begun before it and due after it waits (after Carlier, 1982, one branch of it)."""
    releases = [job.release for job in jobs]
    best, least = in_turn(jobs, people), inf
    turns = best
    for _ in range(_TRIES):
        late = sum(turn.end - turn.job.deadline for turn in turns if turn.is_late)
        if late < least:
            best, least = turns, late
        waits = None if late <= 0.0 else _critical(turns)
        if waits is None:
            break
        job, until = waits
        number = next(place for place, each in enumerate(jobs) if each is job)
        releases[number] = until
        later = [replace(job, release=at) for job, at in zip(jobs, releases, strict=True)]
        own = {id(each): job for each, job in zip(later, jobs, strict=True)}
        turns = [turn._replace(job=own[id(turn.job)]) for turn in in_turn(later, people)]
    return best


def _critical(turns: Sequence[Turn[T]]) -> tuple[Job[T], float] | None:
    """Of what is done without a pause before the first late job the last that is due after it, and when the
    first of those behind it could begin."""
    place = next(place for place, turn in enumerate(turns) if turn.is_late)
    late, soonest = turns[place].job, turns[place].job.release
    for before in range(place - 1, -1, -1):
        if turns[before].job.deadline > late.deadline:
            turn = turns[before]
            return (turn.job, soonest) if soonest > turn.begin else None
        soonest = min(soonest, turns[before].job.release)
    return None


def can_be_done(jobs: Sequence[Job[T]], people: int = 1) -> bool:
    """Whether nothing speaks against it: ``False`` proves that so many people can't do it in time.

    One person as fast as all of them together, who may lay a job aside and go on with it later, does what is
    due first; if that is late, everything is (for one person the bound of Horn, exact with laying aside).
    """
    if any(job.release + job.service > job.deadline + CRUMB for job in jobs):
        return False
    coming = sorted(jobs, key=lambda job: job.release)
    open_: list[tuple[float, float]] = []
    for number, job in enumerate(coming, 1):
        until = coming[number].release if number < len(coming) else inf
        heappush(open_, (job.deadline, job.service / people))
        now = job.release
        while open_ and now < until:
            deadline, rest = heappop(open_)
            done = min(rest, until - now)
            now += done
            if now > deadline + CRUMB:
                return False
            if rest - done > CRUMB:
                heappush(open_, (deadline, rest - done))
    return True


@dataclass(frozen=True, slots=True)
class _Meeting:
    """Appointments at one moment: how many, and how long all of them take so many people."""

    at: float
    jobs: int
    service: float


def _meetings(jobs: Sequence[Job[T]]) -> list[_Meeting]:
    """The latest first."""
    found: dict[float, tuple[int, float]] = {}
    for job in jobs:
        if job.appointed:
            many, longest = found.get(job.release, (0, 0.0))
            found[job.release] = many + 1, max(longest, job.service)
    return [_Meeting(at, *found[at]) for at in sorted(found, reverse=True)]


def _waits(job: Job[T], now: float, meeting: _Meeting, free: list[float]) -> bool:
    """Whether a job is left until after the next appointments, which it would keep hands from."""
    if job.appointed or now + job.service <= meeting.at + CRUMB:
        return False
    others = sum(at <= meeting.at + CRUMB for at in free) - 1
    over = meeting.at + ceil(meeting.jobs / len(free)) * meeting.service
    return others < meeting.jobs and over + job.service <= job.deadline + CRUMB
