"""Who is told what, as configured: persons, when they are on duty, and the routes to them and to outlets."""

from __future__ import annotations

from typing import Annotated, Literal, get_args

from pydantic import BeforeValidator, Field, model_validator

from service.domain.model import Level
from service.domain.policy import DAYS, Day, Holidays
from service.settings.checks import check_hours, check_timezone, not_a_boolean, one_or_many, split_commas
from service.settings.kinds import Names, Pattern, Section, Text, WallTime, Whole

RoutedKind = Literal[
    "supply",
    "tape",
    "tray",
    "stick",
    "bulk",
    "question",
    "silent",
    "loss",
    "recipe",
    "refused",
    "outlet",
    "promise",
    "wrong part",
    "floor life",
]
"""A kind of notice, or of the supply that a supply notice is about."""

KINDS: tuple[RoutedKind, ...] = get_args(RoutedKind)
SomeNames = Annotated[tuple[str, ...], BeforeValidator(split_commas)]
Days = Annotated[tuple[Day, ...], BeforeValidator(split_commas), Field(description=", ".join(DAYS))]
Hours = Annotated[str | None, check_hours, Field(description='local times, such as "22:00-06:00"')]
HolidaysToo = Annotated[Holidays, Field(description='"any", "off" or "only": what site.closed names')]
Zone = Annotated[str | None, check_timezone, Field(description="an IANA name such as Europe/Vienna")]
After = Annotated[
    float, BeforeValidator(not_a_boolean), Field(ge=0.5, le=1440, description="minutes from 0.5 to 1440")
]
Every = Annotated[Whole, Field(ge=1, le=10_000, description="a whole number of panels from 1 to 10000")]


class Person(Section):
    """``outlets`` in the order in which they are tried."""

    name: Text
    outlets: Annotated[Names, BeforeValidator(one_or_many), Field(description="names of outlets")]
    quiet_hours: Hours = None
    timezone: Zone = None


class Duty(Section):
    """When some people of a roster are on duty; without times the whole day."""

    roster: Text
    people: Annotated[Names, Field(description="names of persons")]
    days: Days = DAYS
    start: WallTime = Field(default="00:00", alias="from")
    end: WallTime = Field(default="00:00", alias="to")
    holidays: HolidaysToo = "any"
    timezone: Zone = None


class Route(Section):
    outlets: Annotated[SomeNames, Field(description="the names of outlets")] = ()
    people: Annotated[SomeNames, Field(description="the names of persons or rosters")] = ()
    line: Pattern | None = None
    station: Pattern | None = None
    kind: Annotated[RoutedKind | None, Field(description=", ".join(KINDS))] = None
    severity: Annotated[Level | None, Field(description="early, urgent or empty: this and worse")] = None
    needs: Annotated[
        Literal["stop", "store"] | None,
        Field(description='"stop": only what needs one, "store": only what must be fetched'),
    ] = None
    days: Days = ()
    hours: Hours = None
    holidays: HolidaysToo = "any"
    tells: Annotated[
        Literal["all", "calls"],
        Field(description='"all" changes, or only what "calls" for somebody (not: taken, quiet, closed)'),
    ] = "all"
    escalate_to: Annotated[SomeNames, Field(description="the names of persons or rosters")] = ()
    escalate_minutes: After | None = None
    escalate_panels: Every | None = None
    remind_minutes: After | None = None
    remind_panels: Every | None = None

    @model_validator(mode="after")
    def _tells_somebody(self) -> Route:
        if not self.outlets and not self.people:
            raise ValueError("tells nobody (set outlets or people)")
        waits = self.escalate_minutes is not None or self.escalate_panels is not None
        if self.escalate_to and not waits:
            raise ValueError("escalates when? (set escalate_minutes or escalate_panels)")
        if waits and not self.escalate_to:
            raise ValueError("escalates to whom? (set escalate_to)")
        return self
