"""Who would hear of something, asked before it is trusted: at once, and later while nobody takes it."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from datetime import time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import msgspec

from service.domain.calendar import moment_of, times_of
from service.domain.model import (
    SECOND,
    Change,
    Instant,
    Level,
    Notice,
    NoticeState,
    SupplyKind,
    to_datetime,
    to_rfc3339,
)
from service.domain.policy import Policy, Route
from service.domain.routing import NOBODY, Hearing, fits, hearing, outlets_of_people, people_of

WEEK = 7 * 24 * 3600 * SECOND


@dataclass(frozen=True, slots=True)
class Round:
    """Those who hear ``after`` so many minutes or panels (both ``None``: at once), and weren't told before.
    ``people`` are names with the outlet that reaches each now."""

    minutes: float | None
    panels: int | None
    people: tuple[tuple[str, str | None], ...]
    outlets: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Answer:
    """``routes`` are the numbers of those that fit, from 0; ``remind_minutes`` and ``remind_panels``: how
    often it is said again. ``off``: who is named but not told now, being off duty or in quiet hours."""

    rounds: tuple[Round, ...]
    routes: tuple[int, ...]
    off: tuple[str, ...]
    remind_minutes: float | None = None
    remind_panels: int | None = None

    @property
    def somebody(self) -> bool:
        return any(each.outlets for each in self.rounds)


def supposed(
    *,
    line: str,
    station: str | None,
    kind: str,
    level: Level,
    boundary_only: bool | None,
    at: Instant,
) -> Notice:
    """A notice as it might come: of a kind of supply, or of another kind. ``boundary_only`` is true of trays
    unless it is said."""
    supply = kind if kind in set(SupplyKind) else None
    return Notice(
        id="",
        kind="supply" if supply else kind,
        line=line,
        station=station,
        slot=None,
        part=None,
        supply_kind=supply,
        boundary_only=supply == SupplyKind.TRAY if boundary_only is None else boundary_only,
        level=level.value,
        state=NoticeState.OPEN,
        opened_at=to_rfc3339(at),
        changed_at=to_rfc3339(at),
        panels_to_empty=None,
        empty_at=None,
        message="",
    )


def who(policy: Policy, notice: Notice, at: Instant, *, failing: Collection[str] = NOBODY) -> Answer:
    """Everybody who would hear of ``notice`` if it opened at ``at``, in the order in which they would."""
    routes = [number for number, each in enumerate(policy.routes) if fits(policy, each, notice, at)]
    ruling = next((policy.routes[number] for number in routes if policy.routes[number].repeats), None)
    rounds = _rounds(policy, notice, at, ruling, failing)
    told = {name for each in rounds for name, _ in each.people}
    named = [
        name
        for number in routes
        for name in (*policy.routes[number].people, *policy.routes[number].escalate_to)
    ]
    off = tuple(person.name for person in people_of(policy, named) if person.name not in told)
    if ruling is None:
        return Answer(rounds, tuple(routes), off)
    return Answer(rounds, tuple(routes), off, ruling.remind_minutes, ruling.remind_panels)


@dataclass(frozen=True, slots=True)
class Span:
    """Who hears at once ``since`` then and ``until`` then."""

    since: Instant
    until: Instant
    people: tuple[str, ...]
    outlets: tuple[str, ...]


def spans(policy: Policy, notice: Notice, since: Instant, until: Instant) -> list[Span]:
    """Who would hear of ``notice`` at once, over a stretch of time; one span for each change."""
    found: list[Span] = []
    edges = [since, *_edges(policy, since, until), until]
    for begin, end in pairwise(edges):
        own = hearing(policy, notice, begin)
        if found and (found[-1].people, found[-1].outlets) == (own.people, own.outlets):
            found[-1] = replace(found[-1], until=end)
        else:
            found.append(Span(begin, end, own.people, own.outlets))
    return found


def _edges(policy: Policy, since: Instant, until: Instant) -> list[Instant]:
    """Every moment between at which a duty, a route's hours or somebody's quiet hours may begin or end."""
    walls = {(policy.timezone, time(0))}
    for named, hours in _hours_named(policy):
        walls |= {(named or policy.timezone, wall) for wall in times_of(hours)}
    found: set[Instant] = set()
    for name, wall in walls:
        zone = ZoneInfo(name)
        day, last = (to_datetime(at).astimezone(zone).date() for at in (since, until))
        while day <= last:
            found.add(moment_of(zone, day, wall))
            day += timedelta(days=1)
    return sorted(at for at in found if since < at < until)


def _hours_named(policy: Policy) -> Iterator[tuple[str | None, str]]:
    for duty in policy.duties:
        yield duty.timezone, f"{duty.start}-{duty.end}"
    for person in policy.people:
        if person.quiet_hours is not None:
            yield person.timezone, person.quiet_hours
    for route in policy.routes:
        if route.hours is not None:
            yield None, route.hours


def _rounds(
    policy: Policy, notice: Notice, at: Instant, ruling: Route | None, failing: Collection[str]
) -> tuple[Round, ...]:
    rounds: list[Round] = []
    heard = Hearing((), ())
    for step in range(1 + len(ruling.escalate_to if ruling else ())):
        stepped = msgspec.structs.replace(notice, escalated=step)
        own = hearing(policy, stepped, at, change=Change.REMINDED if step else Change.OPENED, failing=failing)
        people = [name for name in own.people if name not in heard.people]
        outlets = tuple(name for name in own.outlets if name not in heard.outlets)
        heard = Hearing((*heard.outlets, *outlets), (*heard.people, *people))
        reached = outlets_of_people(policy, people, notice, failing)
        if step == 0 or people or outlets:
            rounds.append(Round(*_after(ruling, step), reached, outlets))
    return tuple(rounds)


def _after(ruling: Route | None, step: int) -> tuple[float | None, int | None]:
    if ruling is None or step == 0:
        return None, None
    minutes, panels = ruling.escalate_minutes, ruling.escalate_panels
    return minutes and minutes * step, panels and panels * step
