"""What the configuration asks of the rules: warning limits, usual quantities, tower readings, routes.

A frozen value, part of the journal (so that a replay decides under the settings that were in force).
It knows patterns and precedence; it doesn't know where the values came from.
"""

from __future__ import annotations

from fnmatch import fnmatchcase
from typing import Any, Literal, get_args

import msgspec

from service.domain.moisture import FloorRules
from service.domain.reviewing import E10, ReviewRules, Time
from service.domain.trays import Matrix

Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
DAYS: tuple[Day, ...] = get_args(Day)
Holidays = Literal["any", "off", "only"]
"""Whether something holds on the days that the site is closed: as on others, not, or on those alone."""


class Limits(msgspec.Struct, frozen=True):
    """The limits in force for one slot."""

    lead_panels: int = 10
    lead_minutes: float = 0.0
    urgent_panels: int = 3
    chance: float = 0.1


class WarnRule(msgspec.Struct, frozen=True, kw_only=True):
    line: str | None = None
    station: str | None = None
    slot: str | None = None
    part: str | None = None
    kind: str | None = None
    lead_panels: int | None = None
    lead_minutes: float | None = None
    urgent_panels: int | None = None
    chance: float | None = None


class SlotRule(msgspec.Struct, frozen=True, kw_only=True):
    line: str | None = None
    station: str | None = None
    slot: str | None = None
    kind: str | None = None
    part: str | None = None
    full: int | None = None
    boundary_only: bool | None = None
    low_sensor: bool | None = None
    tray: Matrix | None = None


def _by_practice(**lamps: list[str]) -> dict[str, list[str]]:
    """A default of its own for each rule."""
    return msgspec.field(default_factory=lambda: dict(lamps))


class TowerRule(msgspec.Struct, frozen=True, kw_only=True):
    """For each reading the lamp states that mean it; every named lamp must agree, none named: never.

    By common practice (no source) yellow flashing means low, with the buzzer out.
    """

    line: str | None = None
    out: dict[str, list[str]] = _by_practice(yellow=["flashing"], buzzer=["on", "flashing"])
    fault: dict[str, list[str]] = _by_practice(red=["on", "flashing"])
    low: dict[str, list[str]] = _by_practice(yellow=["flashing"])
    running: dict[str, list[str]] = _by_practice(green=["on"])


class Route(msgspec.Struct, frozen=True, kw_only=True):
    """Who hears what. ``people`` are persons or rosters. ``needs``: only what needs a ``stop``, or only what
    the ``store`` must fetch. While nobody has taken it, it is said once more every ``remind_minutes`` or
    ``remind_panels``, and every ``escalate_minutes`` or ``escalate_panels`` the next of ``escalate_to``
    hears of it too."""

    outlets: list[str] = []
    people: list[str] = []
    line: str | None = None
    station: str | None = None
    kind: str | None = None
    severity: str | None = None
    needs: str | None = None
    days: tuple[Day, ...] = ()
    hours: str | None = None
    holidays: Holidays = "any"
    tells: str = "all"
    escalate_to: list[str] = []
    escalate_minutes: float | None = None
    escalate_panels: int | None = None
    remind_minutes: float | None = None
    remind_panels: int | None = None

    @property
    def repeats(self) -> bool:
        """Whether it says anything about what nobody takes."""
        return bool(self.remind_minutes or self.remind_panels or self.escalate_to)


class Person(msgspec.Struct, frozen=True, kw_only=True):
    """``outlets`` in the order in which they are tried; not told in ``quiet_hours``, by the clocks of
    ``timezone`` (``None``: the site's)."""

    name: str
    outlets: list[str]
    quiet_hours: str | None = None
    timezone: str | None = None


class Duty(msgspec.Struct, frozen=True, kw_only=True):
    """When people of a roster are on duty: local times such as ``22:00``; one that ends when it begins or
    before ends on the next day. ``holidays``: those of the site."""

    roster: str
    people: list[str]
    days: tuple[Day, ...] = DAYS
    start: str = "00:00"
    end: str = "00:00"
    holidays: Holidays = "any"
    timezone: str | None = None


class Shift(msgspec.Struct, frozen=True, kw_only=True, cache_hash=True):
    """Local times such as ``06:00``; one that ends when it begins or before ends on the next day. ``breaks``
    are spans such as ``09:00-09:15``."""

    line: str | None = None
    days: tuple[Day, ...] = DAYS
    start: str
    end: str
    breaks: tuple[str, ...] = ()


class Substitute(msgspec.Struct, frozen=True, kw_only=True):
    """Parts that may be loaded ``instead`` of ``part``; line and station are patterns."""

    part: str
    instead: tuple[str, ...]
    line: str | None = None
    station: str | None = None


class CareRule(msgspec.Struct, frozen=True, kw_only=True):
    """The ``steps`` of an exchange, said instead of the usual ones."""

    kind: str | None = None
    line: str | None = None
    station: str | None = None
    change: str | None = None
    steps: tuple[str, ...]


class PartCost(msgspec.Struct, frozen=True, kw_only=True):
    """What ``each`` part costs whose number fits the pattern."""

    part: str
    each: float


class PlanRules(msgspec.Struct, frozen=True, kw_only=True):
    """What a plan of stops reckons with.

    ``margin_panels`` are kept in hand before a slot may be empty; up to the share ``waste_share`` of a full
    supply may be thrown away; so many ``people`` exchange and splice, each taking so long. ``fetch_minutes``
    pass until a supply that doesn't stand ready is there. A planned stop costs the line ``stop_minutes``,
    an unplanned one ``late_minutes``; without a ``minute_cost`` stops are counted, not reckoned in money. A
    plan gives way to one that is cheaper by the share ``change_pays``.
    """

    margin_panels: int = 1
    waste_share: float = 0.05
    people: int = 1
    exchange_seconds: float = 60.0
    splice_seconds: float = 60.0
    fetch_minutes: float = 0.0
    stop_minutes: float = 2.0
    late_minutes: float = 10.0
    minute_cost: float | None = None
    change_pays: float = 0.1
    parts: tuple[PartCost, ...] = ()


class MoistureRule(msgspec.Struct, frozen=True, kw_only=True):
    """The moisture level of the parts whose number fits ``part``."""

    part: str
    level: str


class Policy(msgspec.Struct, frozen=True, kw_only=True):
    """``programs``: the outlets that no person reads. ``closed``: days without work, ``2026-05-01`` or from
    the first to the last ``2026-12-24/2027-01-06``."""

    timezone: str = "UTC"
    warn: Limits = Limits()
    rules: list[WarnRule] = []
    slots: list[SlotRule] = []
    towers: list[TowerRule] = []
    outlets: list[str] = []
    routes: list[Route] = []
    shifts: tuple[Shift, ...] = ()
    closed: tuple[str, ...] = ()
    programs: tuple[str, ...] = ()
    people: tuple[Person, ...] = ()
    duties: tuple[Duty, ...] = ()
    substitutes: tuple[Substitute, ...] = ()
    cares: tuple[CareRule, ...] = ()
    plan: PlanRules = PlanRules()
    floor_life: FloorRules = FloorRules()
    moisture: tuple[MoistureRule, ...] = ()
    review: ReviewRules = ReviewRules()


_NOTHING_SAID = SlotRule()
_WARN_KEYS = ("lead_panels", "lead_minutes", "urgent_panels", "chance")


def limits_for(
    policy: Policy, *, line: str, station: str, slot: str, part: str | None, kind: str | None
) -> Limits:
    """Key by key the value of the most specific matching rule that sets it; ``[warn]`` where none does."""
    place = {"line": line, "station": station, "slot": slot, "part": part, "kind": kind}
    rules = _matching(policy.rules, place)
    if not rules:
        return _capped(policy.warn)
    found = {
        key: next((value for rule in rules if (value := getattr(rule, key)) is not None), None)
        for key in _WARN_KEYS
    }
    limits = msgspec.structs.replace(
        policy.warn, **{key: value for key, value in found.items() if value is not None}
    )
    return _capped(limits)


def _capped(limits: Limits) -> Limits:
    if limits.urgent_panels > limits.lead_panels:
        return msgspec.structs.replace(limits, urgent_panels=limits.lead_panels)
    return limits


def slot_rule(policy: Policy, *, line: str, station: str, slot: str) -> SlotRule:
    """What the configuration says of a slot, merged key by key, most specific first."""
    rules = _matching(policy.slots, {"line": line, "station": station, "slot": slot})
    if not rules:
        return _NOTHING_SAID
    merged = {
        key: next((value for rule in rules if (value := _said_by(rule, key)) is not None), None)
        for key in ("kind", "part", "full", "boundary_only", "low_sensor", "tray")
    }
    return SlotRule(**merged)


def _said_by(rule: SlotRule, key: str) -> Any:
    """Who says how a tray is divided says what it is and, unless another number is given, what it holds."""
    value = getattr(rule, key)
    if value is None and rule.tray is not None:
        return {"kind": "tray", "full": rule.tray.cells}.get(key)
    return value


def moisture_level(policy: Policy, part: str | None) -> str | None:
    """The level of a part as configured; ``None`` where no pattern fits."""
    matching = (
        _matching(list(policy.moisture), {"part": part}) if part is not None and policy.moisture else []
    )
    return matching[0].level if matching else None


def tower_rule(policy: Policy, line: str) -> TowerRule:
    matching = _matching(policy.towers, {"line": line})
    return matching[0] if matching else TowerRule()


def care_for(
    policy: Policy, *, line: str, station: str, kind: str | None, change: str
) -> tuple[str, ...] | None:
    """The steps of the most specific rule for such an exchange; ``None``: none is configured."""
    place = {"line": line, "station": station, "kind": kind, "change": change}
    matching = _matching(list(policy.cares), place)
    return matching[0].steps if matching else None


def cost_of(plan: PlanRules, part: str | None) -> float:
    """What each part of that number costs; 0 where nothing is said of it."""
    matching = _matching(list(plan.parts), {"part": part})
    return float(matching[0].each) if matching else 0.0


def cause_counts(
    policy: Policy, *, line: str, station: str | None, cause: str
) -> tuple[E10 | None, Time | None]:
    """What a cause is configured to count as there: each from the most specific rule that says it."""
    rules = [rule for rule in policy.review.causes if rule.cause == cause]
    matching = _matching(rules, {"line": line, "station": station})
    return (
        next((rule.e10 for rule in matching if rule.e10 is not None), None),
        next((rule.time for rule in matching if rule.time is not None), None),
    )


def takt_for(policy: Policy, *, line: str, station: str, recipe: str | None) -> float | None:
    """The shortest time of a panel in seconds, as configured."""
    place = {"line": line, "station": station, "recipe": recipe}
    matching = _matching(list(policy.review.takts), place)
    return matching[0].seconds if matching else None


def _matching(rules: list, place: dict[str, str | None]) -> list:  # type: ignore[type-arg]
    """Rules that fit ``place``, most specific first; of equals the later one in the file."""
    if not rules:
        return []
    fitting = [
        (_weight(rule, place), number, rule)
        for number, rule in enumerate(rules)
        if all(_fits(getattr(rule, key), value) for key, value in place.items())
    ]
    return [rule for _, _, rule in sorted(fitting, key=lambda item: item[:2], reverse=True)]


def _fits(pattern: str | None, value: str | None) -> bool:
    return pattern is None or (value is not None and fnmatchcase(value, pattern))


def _weight(rule: object, place: dict[str, str | None]) -> int:
    """Exact names count more than any number of patterns; a pattern more than nothing."""
    patterns = [getattr(rule, key) for key in place]
    named = [pattern for pattern in patterns if pattern is not None]
    exact = sum(not any(mark in pattern for mark in "*?[") for pattern in named)
    return exact * 10 + len(named)
