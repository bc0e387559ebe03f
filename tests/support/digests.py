"""A plant's handovers, hours and reviews in memory, for tests of what is told of a shift or a week."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import msgspec

from service.domain.hourly import HOUR, LineHour, SlotHour, StationHour
from service.domain.model import Instant, to_rfc3339
from service.domain.policy import Policy, Shift
from service.usecases.digests import Digests, Rule
from service.usecases.handover import assemble
from tests.support.outbox import MemoryOutbox

MINUTE_MS = 60_000


def hour(begin: Instant, line: str = "L3", *, supply: float = 0, fault: float = 0, **more: Any) -> LineHour:
    """Of so many minutes stood for a supply, in three stops, and for a fault, in one."""
    stood = {"supply": supply, "fault": fault, "changeover": 20}
    station = StationHour(
        worked_ms=1_200_000,
        cost_ms={cause: round(minutes * MINUTE_MS) for cause, minutes in stood.items() if minutes},
        stops={cause: 3 if cause == "supply" else 1 for cause, minutes in stood.items() if minutes},
        slots={
            "F07": SlotHour(
                part="R-10K-0402",
                kind="tape",
                placed=990,
                lost=10,
                cost_ms=round(supply * MINUTE_MS),
                stops=3 if supply else 0,
            )
        },
    )
    return LineHour(line=line, begin=begin, stations={"P1": station}, **more)


@dataclass
class MemoryHours:
    """``ports.Hours`` in memory."""

    kept: list[LineHour] = field(default_factory=list)
    until: Instant | None = None

    def rolled(self) -> Instant | None:
        return self.until

    def first(self) -> Instant | None:
        return min((each.begin for each in self.kept), default=None)

    def save(self, begin: Instant, figures: Sequence[LineHour], *, rolled: Instant) -> None:
        self.kept = [each for each in self.kept if each.begin != begin] + list(figures)
        self.until = rolled

    def between(self, since: Instant, until: Instant) -> list[LineHour]:
        found = [each for each in self.kept if since <= each.begin < until]
        return sorted(found, key=lambda each: (each.begin, each.line))


@dataclass
class Plant:
    """Lines with one station. ``notices`` are shown as they stand."""

    names: tuple[str, ...] = ("L3",)
    notices: list[dict[str, Any]] = field(default_factory=list)

    def lines(self) -> list[dict[str, Any]]:
        return [{"line": name} for name in self.names]

    def handed(self, lines: Any, turn: Any, *, at: Instant, hours: float, line: str | None) -> Any:
        return assemble(
            line=line,
            lines=[],
            slots=[],
            notices=[each for each in self.notices if each["line"] in lines],
            closed=[],
            at=at,
            turn=turn,
            hours=hours,
        )


@dataclass
class Reviewed:
    """Reviews of any time: the same hour over and over, by line."""

    line: str = "L3"
    supply: float = 0
    fault: float = 0
    error: Exception | None = None
    asked: list[tuple[str, str]] = field(default_factory=list)

    def __call__(self, since: Instant, until: Instant) -> dict[str, Any]:
        self.asked.append((to_rfc3339(since), to_rfc3339(until)))
        if self.error is not None:
            raise self.error
        begins = range(since // HOUR * HOUR, until, HOUR)
        hours = [hour(begin, self.line, supply=self.supply, fault=self.fault) for begin in begins]
        return {"hours": msgspec.to_builtins(hours)}


@dataclass
class People:
    """What the message budget shows of a time."""

    messages: dict[str, int] = field(default_factory=lambda: {"Ines Quill": 84, "Tomas Bell": 12})

    def shown(self, *, since: Instant | None, until: Instant | None) -> dict[str, object]:
        return {"people": [{"who": who, "messages": number} for who, number in self.messages.items()]}

    def lately(self) -> Any:
        raise NotImplementedError


DAY_SHIFTS = (
    Shift(start="06:00", end="14:00"),
    Shift(start="14:00", end="22:00"),
    Shift(start="22:00", end="06:00"),
)


def digests(outbox: MemoryOutbox, **parts: Any) -> Digests:
    known: dict[str, Any] = {
        "rules": [Rule(outlets=("mail", "chat"), lines=("*",))],
        "policy": Policy(timezone="Europe/Vienna", shifts=DAY_SHIFTS),
        "site": "Werk Nord",
        "showing": Plant(),
        "hours": MemoryHours(),
        "budget": People(),
        "review": Reviewed(),
        "say": outbox.add,
        "failed": lambda error: None,
    }
    return Digests(**known | parts)
