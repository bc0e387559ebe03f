"""Whose hands a plan takes: exchanges in its stops, splices between them, in one order of jobs.

While people exchange in a stop the line stands, so what comes after it is later by as much. What is exchanged
while the line stands anyway costs the plan no hands.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from math import ceil

from service.domain.emptyings import Emptying
from service.domain.jobs import Job, Turn, can_be_done, in_best_turn
from service.domain.model import PlannedStop
from service.domain.plan import Window
from service.domain.prospect import Prospect, Rest
from service.domain.said import Said

Need = Window[Emptying]
_TRIES = 8
_MOST_NAMED = 3
_MOST_MORE = 3


@dataclass(frozen=True, slots=True, eq=False)
class Drawn:
    """A stop of a plan: what it exchanges at ``boundary``. ``kept``: the stop of the kept plan that it is."""

    boundary: int
    needs: tuple[Need, ...]
    rest: Rest | None = None
    kept: PlannedStop | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Task:
    """``stop``: in which it is done; ``None``: while the line runs."""

    need: Need
    stop: Drawn | None


@dataclass(frozen=True, slots=True, eq=False)
class Staffing:
    """``turns``: in the order of beginning, ``None`` while no takt is known. ``feasible``: whether all can be
    done in time, ``None`` where that isn't known. ``helps``: what would help, and where it is lacking."""

    turns: tuple[Turn[Task], ...] | None
    feasible: bool | None
    helps: tuple[Said, ...]


def meanwhile(prospect: Prospect) -> list[Need]:
    """What needs no stop, of each slot one after the other."""
    shelf = prospect.unspoken.copy()
    found: list[Need] = []
    for window in prospect.windows:
        need: Need | None = None if window.what.supply.stops else window
        while need is not None:
            found.append(need)
            need = prospect.after(need, need.last, shelf)
    return sorted(found, key=lambda each: (each.last, each.what.supply.place))


def staff(prospect: Prospect, stops: Sequence[Drawn]) -> Staffing:
    """Who has to do what when, and whether that can be done."""
    between = meanwhile(prospect)
    needs = [need for stop in stops for need in stop.needs] + between
    lacking = [need for need in needs if need.what.number == 1 and need.what.fetched > need.last]
    helps = [_fetch(need) for need in lacking[:_MOST_NAMED]]
    jobs = jobs_of(prospect, stops, between)
    if jobs is None:
        return Staffing(None, False if lacking else None, tuple(helps))
    people = prospect.rules.people
    turns = in_best_turn(jobs, people)
    late = [turn for turn in turns if turn.is_late]
    if late:
        helps += [_too_late(turn) for turn in late[:_MOST_NAMED]]
        helps += _more_people(jobs, people)
        helps += _supplies_at_hand(prospect, stops)
    impossible = bool(lacking) or not can_be_done(jobs, people)
    return Staffing(tuple(turns), False if impossible else (None if late else True), tuple(helps))


def eased(prospect: Prospect, stops: Sequence[Drawn]) -> list[Drawn]:
    """The same stops, one or the other some panels earlier where that leaves less undone in time."""
    best = moved = list(stops)
    between = meanwhile(prospect)
    late = _late(prospect, stops, between)
    least = _lateness(late)
    for _ in range(_TRIES):
        earlier = _with_one_earlier(moved, late[0].job.what) if late else None
        if earlier is None:
            break
        moved, late = earlier, _late(prospect, earlier, between)
        if _lateness(late) < least:
            best, least = moved, _lateness(late)
    return best


def jobs_of(prospect: Prospect, stops: Sequence[Drawn], between: Sequence[Need]) -> list[Job[Task]] | None:
    """The jobs in the stops and ``between`` them, in seconds from the last count; ``None`` while no takt is
    known."""
    wall = _wall(prospect, stops)
    if wall is None:
        return None
    jobs = list(_in_stops(prospect, stops, wall))
    for need in between:
        begin, end = wall(need.first), wall(need.last)
        if begin is not None and end is not None:
            rules, joined = prospect.rules, need.what.supply.is_joined
            service = rules.splice_seconds if joined else rules.exchange_seconds
            # Begun at the last boundary it is in time: the margin is there for it.
            jobs.append(Job(Task(need, None), begin, end + service, service))
    return jobs


def _in_stops(
    prospect: Prospect, stops: Sequence[Drawn], wall: Callable[[int], float | None]
) -> Iterator[Job[Task]]:
    for stop in stops:
        begin = None if stop.rest is not None else wall(stop.boundary)
        if begin is not None:
            end = begin + _length(prospect, stop)
            for need in stop.needs:
                yield Job(Task(need, stop), begin, end, prospect.rules.exchange_seconds, appointed=True)


def _wall(prospect: Prospect, stops: Sequence[Drawn]) -> Callable[[int], float | None] | None:
    """Seconds until a boundary, with the stops before it."""
    tempo = prospect.tempo
    if tempo is None:
        return None
    lengths = [(stop.boundary, _length(prospect, stop)) for stop in stops if stop.rest is None]

    def wall(boundary: int) -> float | None:
        seconds = tempo.seconds(boundary)
        stood = sum(length for before, length in lengths if before < boundary)
        return None if seconds is None else seconds + stood

    return wall


def _length(prospect: Prospect, stop: Drawn) -> float:
    return ceil(len(stop.needs) / prospect.rules.people) * prospect.rules.exchange_seconds


def _late(prospect: Prospect, stops: Sequence[Drawn], between: Sequence[Need]) -> list[Turn[Task]]:
    """What is done too late, in the order of beginning."""
    turns = in_best_turn(jobs_of(prospect, stops, between) or [], prospect.rules.people)
    return [turn for turn in turns if turn.is_late]


def _lateness(late: Sequence[Turn[Task]]) -> float:
    return sum(turn.end - turn.job.deadline for turn in late)


def _with_one_earlier(stops: list[Drawn], first: Task) -> list[Drawn] | None:
    """With the stop of the ``first`` late job, or the last before it, a panel earlier; ``None``: it can't
    be."""
    by = first.need.last if first.stop is None else first.stop.boundary
    before = [place for place, stop in enumerate(stops) if stop.rest is None and stop.boundary <= by]
    if not before:
        return None
    place = before[-1]
    stop = stops[place]
    boundary = stop.boundary - 1
    taken = boundary < 0 or any(other.boundary == boundary for other in stops)
    if taken or any(need.first > boundary for need in stop.needs):
        return None
    return [*stops[:place], replace(stop, boundary=boundary, kept=None), *stops[place + 1 :]]


# What would help


def _fetch(need: Need) -> Said:
    supply = need.what.supply
    values = {"station": supply.station.station, "slot": supply.slot.name, "part": supply.part[0] or "?"}
    return Said("Fetch {part} for slot {slot} of {station} now: as things are it comes too late.", values)


def _too_late(turn: Turn[Task]) -> Said:
    supply = turn.job.what.need.what.supply
    values = {"station": supply.station.station, "slot": supply.slot.name}
    if turn.job.appointed:
        return Said("At slot {slot} of {station} the line waits for hands that are elsewhere.", values)
    return Said("Slot {slot} of {station} isn't reached in time.", values)


def _more_people(jobs: Sequence[Job[Task]], people: int) -> list[Said]:
    for more in range(1, _MOST_MORE + 1):
        if not any(turn.is_late for turn in in_best_turn(jobs, people + more)):
            return [
                Said(
                    "One more person would be in time.",
                    {"number": more},
                    many="{number} more people would be in time.",
                )
            ]
    return []


def _supplies_at_hand(prospect: Prospect, stops: Sequence[Drawn]) -> list[Said]:
    """Where it is only the fetching that makes it too late."""
    if not prospect.fetched:
        return []
    windows = tuple(replace(each.what, fetched=0).window(prospect.terms) for each in prospect.windows)
    at_hand = replace(prospect, windows=windows, fetched=0)
    if _late(at_hand, stops, meanwhile(at_hand)):
        return []
    return [Said("With every supply at the line by now it could be done in time.")]
