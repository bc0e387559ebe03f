"""What each person and program was told in a time, and how fast somebody took what called.

Words to one outlet at one moment are one message. People may have got fewer: what is told in a rush is put
together on its way out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from service.domain.budget import Load, load_of
from service.domain.model import Instant
from service.domain.notices import Told
from service.domain.warned import Given


@dataclass(frozen=True, slots=True)
class Heard:
    """``people``: the load of each who could hear something; ``programs``: messages by outlet."""

    people: Mapping[str, Load]
    programs: Mapping[str, int]


def heard(
    told: Iterable[tuple[Instant, Told]],
    readers: Mapping[str, Sequence[str]],
    since: Instant,
    until: Instant,
) -> Heard:
    """``readers``: who reads what an outlet sends; an outlet that isn't there is for programs, which are told
    of each change by itself."""
    people: dict[str, set[tuple[Instant, str]]] = {
        who: set() for everybody in readers.values() for who in everybody
    }
    programs: dict[str, int] = {}
    for at, each in told:
        for outlet in each.outlets or ():
            if outlet not in readers:
                programs[outlet] = programs.get(outlet, 0) + 1
                continue
            everybody = readers[outlet]
            named = [who for who in everybody if who in each.notice.hears]
            for who in named or everybody:
                people[who].add((at, outlet))
    return Heard(
        {who: load_of((at for at, _ in moments), since, until) for who, moments in sorted(people.items())},
        dict(sorted(programs.items())),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """Of warnings that called for somebody: how many were ``taken``, how many went away before somebody did
    (``nobody``: exchanged or over without it), how many ``wait``. Lengths are microseconds, ``None``: none
    was taken. ``by``: how many each took."""

    taken: int
    nobody: int
    waiting: int
    median: Instant | None
    p90: Instant | None
    by: Mapping[str, int]


def taken(warned: Sequence[Given]) -> Taken:
    took = sorted(each.took for each in warned if each.took is not None)
    by: dict[str, int] = {}
    for each in warned:
        if each.taken_by is not None:
            by[each.taken_by] = by.get(each.taken_by, 0) + 1
    waiting = sum(each.took is None and each.closed is None for each in warned)
    return Taken(
        taken=len(took),
        nobody=len(warned) - len(took) - waiting,
        waiting=waiting,
        median=quantile(took, 0.5),
        p90=quantile(took, 0.9),
        by=dict(sorted(by.items(), key=lambda each: (-each[1], each[0]))),
    )


def quantile(ordered: Sequence[Instant], share: float) -> Instant | None:
    """The least value that at least ``share`` of them don't exceed (inverse of their distribution)."""
    if not ordered:
        return None
    rank = -(-len(ordered) * round(share * 1000) // 1000)
    return ordered[max(0, rank - 1)]
