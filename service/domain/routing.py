"""Who hears of a notice: the outlets and people named by the routes that fit it; without any route everybody.

A person is told through the first of their outlets that isn't failing, while on duty and out of their quiet
hours. Where nobody of a route can be told, the next in its line of escalation is; where nobody at all is on
duty, all its people.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from zoneinfo import ZoneInfo

from service.domain.calendar import covers, is_closed, times_of
from service.domain.model import Change, Instant, Level, Notice, to_datetime
from service.domain.policy import DAYS, Day, Duty, Holidays, Person, Policy, Route

NOBODY: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Hearing:
    """``outlets`` in the order of the configuration, ``people`` in that of the routes."""

    outlets: tuple[str, ...]
    people: tuple[str, ...]


def hearing(
    policy: Policy,
    notice: Notice,
    at: Instant,
    *,
    calls: bool = True,
    change: Change = Change.OPENED,
    failing: Collection[str] = NOBODY,
) -> Hearing:
    """Who hears of it now. ``calls``: it calls for somebody; ``failing``: outlets that can't be reached."""
    if not policy.routes:
        everybody = [person for person in policy.people if not _rests(policy, person, at)]
        theirs = {name for person in policy.people for name in person.outlets}
        open_to_all = [name for name in policy.outlets if name not in theirs]
        return _hearing(policy, notice, open_to_all, everybody, failing)
    fitting = [
        each
        for each in policy.routes
        if fits(policy, each, notice, at) and (calls or each.tells != "calls") and _is_asked(each, change)
    ]
    people = [person for each in fitting for person in _reached(policy, each, notice.escalated, at)]
    return _hearing(policy, notice, [name for each in fitting for name in each.outlets], people, failing)


def route(policy: Policy, notice: Notice, at: Instant, *, calls: bool = True) -> list[str]:
    """The outlets alone, while none is failing."""
    return list(hearing(policy, notice, at, calls=calls).outlets)


def fits(policy: Policy, route: Route, notice: Notice, at: Instant) -> bool:
    return (
        _matches(route.line, notice.line)
        and _matches(route.station, notice.station)
        and (route.kind is None or route.kind in (notice.kind, notice.supply_kind))
        and (route.severity is None or Level(notice.level).rank >= Level(route.severity).rank)
        and (route.needs is None or notice.kind == "supply")
        and (route.needs != "stop" or notice.boundary_only)
        and _is_time(policy, at, days=route.days, hours=route.hours, holidays=route.holidays)
    )


def people_of(policy: Policy, names: Iterable[str]) -> list[Person]:
    """The persons of these names and rosters, each once."""
    found: dict[str, Person] = {}
    known = {person.name: person for person in policy.people}
    for name in names:
        members = [one for duty in policy.duties if duty.roster == name for one in duty.people] or [name]
        found |= {one: known[one] for one in members if one in known}
    return list(found.values())


def on_duty(policy: Policy, names: Iterable[str], at: Instant) -> list[Person]:
    """Those of these persons and rosters who can be told now."""
    awake: dict[str, Person] = {}
    for name in names:
        duties = [duty for duty in policy.duties if duty.roster == name]
        now = [one for duty in duties if _is_on(policy, duty, at) for one in duty.people]
        members = people_of(policy, now if duties else [name])
        awake |= {person.name: person for person in members if not _rests(policy, person, at)}
    return list(awake.values())


def outlets_of_people(
    policy: Policy, names: Iterable[str], notice: Notice, failing: Collection[str]
) -> tuple[tuple[str, str | None], ...]:
    """Each person with the outlet that reaches them now."""
    return tuple((person.name, _outlet_of(person, notice, failing)) for person in people_of(policy, names))


def _reached(policy: Policy, route: Route, escalated: int, at: Instant) -> list[Person]:
    if not route.people and not route.escalate_to:
        return []
    steps = route.escalate_to[:escalated]
    found = on_duty(policy, [*route.people, *steps], at)
    for name in route.escalate_to[escalated:]:
        if found or route.outlets:
            return found
        found = on_duty(policy, [name], at)
    whole = (person for person in people_of(policy, route.people) if not _rests(policy, person, at))
    return found or ([] if route.outlets else list(whole))


def _hearing(
    policy: Policy, notice: Notice, outlets: Sequence[str], people: Sequence[Person], failing: Collection[str]
) -> Hearing:
    heard = {*outlets, *(name for person in people if (name := _outlet_of(person, notice, failing)))}
    return Hearing(
        tuple(name for name in policy.outlets if name in heard and not _is_about(notice, name)),
        tuple(dict.fromkeys(person.name for person in people)),
    )


def _outlet_of(person: Person, notice: Notice, failing: Collection[str]) -> str | None:
    """The first that works; where none does the first, for what is tried again until it does."""
    working = (one for one in person.outlets if one not in failing and not _is_about(notice, one))
    return next(working, person.outlets[0] if person.outlets else None)


def _is_about(notice: Notice, outlet: str) -> bool:
    """That an outlet can't deliver is never told through that outlet."""
    return notice.kind == "outlet" and notice.about == outlet


def _is_asked(route: Route, change: Change) -> bool:
    """The store fetches once, however often the line is reminded."""
    return route.needs != "store" or change in (Change.OPENED, Change.CLOSED)


def _matches(pattern: str | None, name: str | None) -> bool:
    return pattern is None or fnmatchcase(name or "", pattern)


def _rests(policy: Policy, person: Person, at: Instant) -> bool:
    hours = person.quiet_hours
    return hours is not None and within_hours(hours, at, person.timezone or policy.timezone)


def _is_on(policy: Policy, duty: Duty, at: Instant) -> bool:
    hours = f"{duty.start}-{duty.end}"
    return _is_time(policy, at, days=duty.days, hours=hours, holidays=duty.holidays, timezone=duty.timezone)


def _is_time(
    policy: Policy,
    at: Instant,
    *,
    days: Sequence[Day],
    hours: str | None,
    holidays: Holidays,
    timezone: str | None = None,
) -> bool:
    """A span that passes midnight belongs to the day on which it begins."""
    begin, end = (hours or "00:00-00:00").split("-")
    day = covers(ZoneInfo(timezone or policy.timezone), begin.strip(), end.strip(), at)
    if day is None or (days and DAYS[day.weekday()] not in days):
        return False
    return holidays == "any" or is_closed(policy.closed, day) == (holidays == "only")


def within_hours(hours: str, at: Instant, timezone: str) -> bool:
    """Whether the local time of ``at`` lies in ``06:00-14:00``; a span may pass midnight."""
    begin, end = times_of(hours)
    now = to_datetime(at).astimezone(ZoneInfo(timezone)).time()
    return begin <= now < end if begin <= end else now >= begin or now < end
