"""What the settings say that can't be used, contradicts itself or leads nowhere. Connects to nothing."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from fnmatch import fnmatchcase
from zoneinfo import ZoneInfo

from service import outside
from service.checkup.case import Case
from service.checkup.finding import Finding, good, look, wrong
from service.domain.model import Instant, Level, to_datetime
from service.domain.policy import Policy
from service.domain.state import StationState
from service.domain.who import WEEK, spans, supposed
from service.settings import Settings

AREA = "configuration"
_MOST_SPANS = 5
_PLACE = ("line", "station", "slot", "part", "kind")


def settings(case: Case) -> Iterator[Finding]:
    found = outside.problems(case.settings)
    for each in found:
        yield wrong(AREA, each, "correct the setting or the file that is named")
    if not found:
        yield good(AREA, _size(case.settings))
    for text, to_do in (*_unused(case.settings), *_beside(case.settings), *_twice(case.settings)):
        yield look(AREA, text, to_do)
    yield from _unmatched(case.settings, case.stations())
    yield from _unheard(case.settings.policy(), case.clock())


def _size(chosen: Settings) -> str:
    counts = {
        "outlets": len(chosen.outlets),
        "routes": len(chosen.routes),
        "slot rules": len(chosen.slots),
        "sources beside [mqtt]": len(chosen.counting),
        "sources on trial": len(chosen.on_trial),
    }
    return "can be used: " + ", ".join(f"{number} {what}" for what, number in counts.items())


def _unused(chosen: Settings) -> Iterator[tuple[str, str]]:
    """What is written and nothing asks for."""
    routed = outside.routed(chosen)
    for outlet in chosen.outlets:
        if outlet.name not in routed:
            yield f"outlet {outlet.name}: no route leads there, it hears nothing", "add a route, or remove it"
    asked = {name for route in chosen.routes for name in (*route.people, *route.escalate_to)}
    rosters = {duty.roster for duty in chosen.duties}
    for roster in sorted(rosters - asked):
        yield f"roster {roster}: no route asks for it", "name it in a route's people or escalate_to"
    on_duty = {name for duty in chosen.duties if duty.roster in asked for name in duty.people}
    for person in chosen.people:
        if person.name not in asked | on_duty:
            yield f"person {person.name}: no route and no roster asks for them", "name them, or remove them"


def _beside(chosen: Settings) -> Iterator[tuple[str, str]]:
    """What fits by itself and not beside the rest."""
    if chosen.heartbeat.url is None and chosen.heartbeat.at is None:
        yield (
            "heartbeat: nobody would notice that this program is gone",
            "set heartbeat.url to a monitor that alarms when it hears nothing, or heartbeat.at and .outlets",
        )


def _twice(chosen: Settings) -> Iterator[tuple[str, str]]:
    """Rules for one and the same place that set the same key otherwise: only one of them can count."""
    for what, listed in (("slot", chosen.slots), ("warn.rule", chosen.warn.rules)):
        seen: dict[tuple[object, ...], tuple[int, object]] = {}
        for number, rule in enumerate(listed):
            said = rule.model_dump(exclude_none=True)
            place = tuple(said.pop(name, None) for name in _PLACE)
            for key, value in said.items():
                before, other = seen.setdefault((*place, key), (number, value))
                if other != value:
                    yield (
                        f"{what}[{number}] and {what}[{before}] say {key} of the same place differently",
                        "leave one of them out",
                    )


def _unmatched(chosen: Settings, stations: Sequence[StationState] | None) -> Iterator[Finding]:
    """Rules by place that fit nothing which was ever heard; without a store that knows any, none is named."""
    if not stations:
        return
    rules: list[tuple[str, Iterable[object]]] = [
        ("slot", chosen.slots),
        ("warn.rule", chosen.warn.rules),
        ("shift", chosen.shifts),
        ("tower", chosen.towers),
        ("route", chosen.routes),
        ("care", chosen.cares),
        ("substitute", chosen.substitutes),
        ("line", chosen.lines),
    ]
    for key, listed in rules:
        for number, rule in enumerate(listed):
            place = {what: getattr(rule, what, None) for what in ("line", "station", "slot")}
            if not any(_fits(place, each) for each in stations):
                named = ", ".join(f'{what} = "{value}"' for what, value in place.items() if value)
                yield look(
                    AREA,
                    f"{key}[{number}]: {named} is nowhere that was ever heard",
                    "compare it with the names on the page; leave it if the place is still to come",
                )


def _fits(place: dict[str, str | None], station: StationState) -> bool:
    return (
        _is(place["line"], station.line)
        and _is(place["station"], station.station)
        and (place["slot"] is None or any(_is(place["slot"], name) for name in station.slots))
    )


def _is(pattern: str | None, name: str) -> bool:
    return pattern is None or fnmatchcase(name, pattern)


def _unheard(policy: Policy, now: Instant) -> Iterator[Finding]:
    """When in the coming week nobody would hear that a tape ran out."""
    if not policy.outlets:
        yield look(
            AREA, "no outlet is configured, warnings stand on the page alone", "add an [[outlet]] and test it"
        )
        return
    zone = ZoneInfo(policy.timezone)
    for line in sorted({each.line or "*" for each in policy.routes} or {"*"}):
        notice = supposed(line=line, station=None, kind="tape", level=Level.EMPTY, boundary_only=None, at=now)
        silent = [each for each in spans(policy, notice, now, now + WEEK) if not each.outlets]
        for each in silent[:_MOST_SPANS]:
            begin, end = (to_datetime(at).astimezone(zone) for at in (each.since, each.until))
            yield look(
                AREA,
                f"nobody hears of a tape on line {line} from {begin:%a %H:%M} to {end:%a %H:%M}",
                "if that isn't meant, look at routes, duties and quiet hours (`earlybell who`)",
            )
        if len(silent) > _MOST_SPANS:
            yield look(AREA, f"line {line}: so are {len(silent) - _MOST_SPANS} more spans of the coming week")
