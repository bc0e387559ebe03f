"""What each warning of a time gave, against what was asked of it; and who took it how fast.

A warning begins with the first word of an emptying and goes on until the supply is over or nothing needs it
any more. What the record made of it stands where there is something; the rest is counted here.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from operator import attrgetter
from typing import TypeVar

from service.domain.history import Outcome
from service.domain.model import Change, Instant, Level, Notice
from service.domain.notices import BETTER, ORDER_DONE, PERSON
from service.domain.policy import Policy, limits_for
from service.domain.track import Acted, StationTrack, Supplied, Track

LATE = 0.5
"""From this chance on a warning whose supply was exchanged before it was empty counts as late."""
GONE = frozenset({"loaded", "joined", "removed", "believed"})
"""Changes by which a slot's supply is another one, or none."""
Place = tuple[str | None, str | None, str | None]
Known = TypeVar("Known", Outcome, Acted)


class Verdict(StrEnum):
    """``apart``: it couldn't come earlier (a supply that was nearly empty when it was loaded, an order that
    is shorter than the lead). ``not judged``: nothing was promised, or how it went isn't known."""

    IN_TIME = "in time"
    LATE = "late"
    MISSED = "missed"
    NEEDLESS = "needless"
    APART = "apart"
    OPEN = "open"
    UNJUDGED = "not judged"


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """One warning. ``level``: as it opened; ``worst``: as it got. ``asked_minutes`` ``None``: not asked for.
    ``over``: when the supply was empty (``ran_out``) or exchanged; ``panels`` were completed and ``lead``
    passed until then. ``taken``: when first, by whom."""

    notice: str
    line: str
    station: str
    slot: str
    part: str | None
    kind: str | None
    level: str
    worst: str
    opened: Instant
    asked_panels: int
    asked_minutes: float | None
    verdict: Verdict
    late: float | None
    ran_out: bool = False
    over: Instant | None = None
    panels: int | None = None
    taken: Instant | None = None
    taken_by: str | None = None
    closed: Instant | None = None
    because: str | None = None

    @property
    def lead(self) -> Instant | None:
        return None if self.over is None else self.over - self.opened

    @property
    def took(self) -> Instant | None:
        """From its opening until somebody took it."""
        return None if self.taken is None else self.taken - self.opened


@dataclass(slots=True)
class _Life:
    """From its opening to the next opening of its slot."""

    notice: Notice
    opened: Instant
    until: Instant
    worst: str
    empty: Instant | None = None
    closed: Instant | None = None
    because: str | None = None
    station: StationTrack | None = None
    outcome: Outcome | None = None
    taken: Acted | None = None
    touched: list[Supplied] = field(default_factory=list)

    @property
    def place(self) -> Place:
        return self.notice.line, self.notice.station, self.notice.slot


def given(track: Track) -> list[Given]:
    """Every warning that opened in the time, in order."""
    lives, outcomes, takes = _lives(track), _outcomes(track), _takes(track)
    for life in lives:
        line = track.lines.get(life.notice.line or "")
        life.station = None if line is None else line.stations.get(life.notice.station or "")
        life.outcome = _in_it(life, outcomes.get(life.place, ()))
        life.taken = _in_it(life, takes.get(life.notice.id, ()))
        life.touched = [] if life.station is None else list(_touched(life.station, life))
    return [_given(track, life) for life in lives]


def _outcomes(track: Track) -> dict[Place, list[Outcome]]:
    """In order of time."""
    found: dict[Place, list[Outcome]] = defaultdict(list)
    for _, each in sorted(track.outcomes, key=lambda pair: pair[1].at):
        found[each.line, each.station, each.slot].append(each)
    return found


def _takes(track: Track) -> dict[str, list[Acted]]:
    """Who took which notice, in order of time."""
    found: dict[str, list[Acted]] = defaultdict(list)
    for each in track.acts:
        if each.action == "take":
            found[each.notice].append(each)
    return found


def _in_it(life: _Life, ordered: Iterable[Known]) -> Known | None:
    """The first while the warning lived."""
    return next((each for each in ordered if life.opened <= each.at < life.until), None)


# What was told


def _lives(track: Track) -> list[_Life]:
    lives: list[_Life] = []
    current: dict[Place, _Life] = {}
    for at, told in track.told:
        notice = told.notice
        if notice.kind != "supply":
            continue
        place = notice.line, notice.station, notice.slot
        life = current.get(place)
        if told.change is Change.OPENED and not _goes_on(life, notice):
            if life is not None:
                life.until = at
            life = current[place] = _Life(notice, at, track.until, notice.level)
            lives.append(life)
        if life is not None and life.notice.id == notice.id:
            _hear(life, notice, at)
    return lives


def _goes_on(life: _Life | None, notice: Notice) -> bool:
    """Whether what is opened is still the same warning: others hear of it, or a person had closed it."""
    if life is None or life.notice.id != notice.id:
        return False
    return life.closed is None or life.because == PERSON


def _hear(life: _Life, notice: Notice, at: Instant) -> None:
    is_closed = notice.closed_at is not None
    life.closed, life.because = (at, notice.closed_because) if is_closed else (None, None)
    if Level(notice.level).rank > Level(life.worst).rank:
        life.worst = notice.level
    if life.empty is None and notice.level == Level.EMPTY and not is_closed:
        life.empty = at


def _touched(station: StationTrack, life: _Life) -> Iterator[Supplied]:
    end = life.until if life.closed is None else max(life.closed, life.opened)
    for each in station.supplies:
        if each.slot == life.notice.slot and life.opened < each.at <= end:
            yield each


# What it gave


def _given(track: Track, life: _Life) -> Given:
    notice, outcome, taken = life.notice, life.outcome, life.taken
    policy = _policy_at(track.policies, life.opened)
    limits = limits_for(
        policy,
        line=notice.line or "",
        station=notice.station or "",
        slot=notice.slot or "",
        part=notice.part,
        kind=notice.supply_kind,
    )
    over = _over(life)
    return Given(
        notice=notice.id,
        line=notice.line or "",
        station=notice.station or "",
        slot=notice.slot or "",
        part=notice.part,
        kind=notice.supply_kind,
        level=notice.level,
        worst=life.worst,
        opened=life.opened,
        asked_panels=limits.lead_panels if outcome is None else outcome.lead,
        asked_minutes=limits.lead_minutes or None,
        verdict=_verdict(life),
        late=None if outcome is None or outcome.apart else outcome.late,
        ran_out=life.empty is not None,
        over=over,
        panels=_panels(life, over),
        taken=None if taken is None else taken.at,
        taken_by=None if taken is None else taken.by,
        closed=life.closed,
        because=life.because,
    )


def _policy_at(policies: Sequence[tuple[Instant, Policy]], at: Instant) -> Policy:
    number = bisect_right(policies, at, key=lambda each: each[0])
    return policies[max(0, number - 1)][1] if policies else Policy()


def _over(life: _Life) -> Instant | None:
    if life.empty is not None:
        return life.empty
    return next((each.at for each in life.touched if each.change in GONE), None)


def _panels(life: _Life, over: Instant | None) -> int | None:
    """Until empty as the record counted them, else those completed until the exchange."""
    if life.outcome is not None and life.outcome.given is not None:
        return life.outcome.given
    if over is None or life.station is None:
        return None
    return max(0, progress_at(life.station, over) - progress_at(life.station, life.opened))


def progress_at(station: StationTrack, at: Instant) -> int:
    """Panels that a station had completed by then."""
    number = bisect_right(station.counts, at, key=attrgetter("at"))
    return station.counts[number - 1].panels if number else station.progress


def _verdict(life: _Life) -> Verdict:
    if _is_needless(life):
        return Verdict.NEEDLESS
    outcome = life.outcome
    if outcome is None:
        return Verdict.OPEN if life.closed is None and life.empty is None else Verdict.UNJUDGED
    if outcome.late < LATE:
        return Verdict.IN_TIME
    if outcome.apart:
        return Verdict.APART
    return Verdict.MISSED if outcome.is_missed else Verdict.LATE


def _is_needless(life: _Life) -> bool:
    """It ended by itself: it lasts longer than was thought, or nothing needs it any more. The slot never was
    empty, and nobody loaded, joined, took out or counted anything there meanwhile."""
    return life.because in (BETTER, ORDER_DONE) and life.empty is None and not life.touched
